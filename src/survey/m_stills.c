/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Stills that cannot be read, and stills whose clock runs backwards.
 */
#include <math.h>

#include "survey/finding.h"

static void judge_state(const rw_track *t, size_t i, rw_verdicts *verdicts)
{
    static const char *const reasons[] = {"", "cut short", "another size", "no picture"};
    double state = rw_track_value(t, i, RW_M_STATE);
    if (isnan(state) || state == RW_STATE_GOOD)
        return;
    rw_verdict *v = rw_verdicts_add(verdicts, RW_KIND_UNREADABLE, RW_REDO, i, i, 1);
    rw_verdict_word(v, "reason", reasons[CLAMP((int)state, 0, 3)]);
    rw_verdict_word(v, "fault", t->fault[i]);
    if (t->fault[i])
        rw_verdict_because(v, "%s", t->fault[i]);
}

/* A clock set back in the middle of a shoot moves everything after it; one still out of place
 * stands alone between neighbours that agree with each other. */
static void judge_time(const rw_track *t, size_t i, rw_verdicts *verdicts)
{
    if (i == 0 || t->time_us[i] == INT64_MIN || t->time_us[i - 1] == INT64_MIN ||
        t->time_us[i] >= t->time_us[i - 1])
        return;
    bool alone = i + 1 < t->count && t->time_us[i + 1] != INT64_MIN &&
                 t->time_us[i + 1] >= t->time_us[i - 1];
    bool last_alone =
        i >= 2 && t->time_us[i - 2] != INT64_MIN && t->time_us[i - 2] <= t->time_us[i];
    size_t at = !alone && last_alone ? i - 1 : i;
    rw_verdict *v =
        rw_verdicts_add(verdicts, RW_KIND_ORDER, RW_LOOK, at, at, alone || last_alone ? 0.8 : 0.5);
    rw_verdict_number(v, "back_s", (double)(t->time_us[i - 1] - t->time_us[i]) * 1e-6);
    rw_verdict_word(v, "clock", alone || last_alone ? "this still alone" : "all that follow");
    rw_verdict_because(v,
                       alone || last_alone
                           ? "By the camera's clock this still was taken %.1f s before the one "
                             "numbered ahead of it, and its neighbours agree with each other."
                           : "From this still on the camera's clock is %.1f s behind the stills "
                             "before: it was set back, or cards were taken in out of order.",
                       (double)(t->time_us[i - 1] - t->time_us[i]) * 1e-6);
}

void rw_judge_stills(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    (void)limits;
    for (size_t i = 0; i < track->count; i++) {
        judge_state(track, i, verdicts);
        judge_time(track, i, verdicts);
    }
}
