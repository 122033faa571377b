/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "survey/finding.h"
#include "survey/json_text.h"

static const rw_finding_kind kinds[] = {
    [RW_KIND_MISSING] =
        {"missing-frame", "A film frame was not taken", "redo",
         "Wind back and shoot the frames between these two stills.",
         "The strip of the next picture on the last still does not carry the grain "
         "of this still; or, where no such strip shows, the clock has a gap and the "
         "picture moved on by a multiple of its usual step."},
    [RW_KIND_DOUBLED] =
        {"doubled-frame", "A film frame was taken twice", "note",
         "Nothing to do: one of the two stills is passed over. If it happens often, "
         "look at the transport's grip.",
         "Both stills carry the same film grain, not just a similar picture."},
    [RW_KIND_SMEARED] =
        {"smeared-frame", "The film moved during the exposure", "redo",
         "Shoot this frame again; let the shutter open later after the pulldown.",
         "Edges of the perforation and the grain are blurred along the film and not "
         "across it."},
    [RW_KIND_FOCUS_DRIFT] = {"focus-drift", "Focus wandered over the reel", "look",
                             "Refocus on the grain; look at the mount, the gate's pressure and the "
                             "film's curl.",
                             "Edges of the perforations grow wider and the grain coarser over many "
                             "frames."},
    [RW_KIND_SOFT] = {"soft-frame", "One still is out of focus", "redo", "Shoot this frame again.",
                      "Edges of the perforation and the grain of this still are softer in all "
                      "directions than its neighbours'."},
    [RW_KIND_EXPOSURE] = {"exposure-shift", "The light or the exposure changed", "look",
                          "Lock the camera's exposure; feed the lamp from a steady supply.",
                          "The clear light through the perforations jumps, drifts or flickers."},
    [RW_KIND_CLIPPED] = {"clipped-light", "Highlights are clipped", "look",
                         "Give less exposure: what is clipped is lost.",
                         "A share of the picture reads the camera's ceiling."},
    [RW_KIND_HAIR] = {"gate-hair", "A hair or dirt is in the gate", "look",
                      "Stop, clean the gate, and shoot from its first frame again if it shows.",
                      "A thin dark thing stays at its place before the camera while the film and "
                      "its picture move."},
    [RW_KIND_PERFORATION] =
        {"damaged-perforation", "A perforation is torn or dirty", "note",
         "Nothing to shoot again; the frame is placed by its neighbours. Look at "
         "the film before it runs again.",
         "The sides of the perforation are not straight, or not clear."},
    [RW_KIND_LOST] = {"lost-registration", "The frame could not be placed", "look",
                      "Look at the frame; let the perforation show whole and clear.",
                      "No perforation was found that could be trusted."},
    [RW_KIND_SPLICE] = {"splice", "The film is joined here", "note",
                        "Nothing to shoot again; check that the joint holds before projecting.",
                        "The registration jumps and settles over a few frames, or a band of tape "
                        "takes light."},
    [RW_KIND_UNREADABLE] = {"unreadable-still", "A still cannot be read", "redo",
                            "Copy it from the card again; if that does not help, shoot the frame "
                            "again.",
                            "The file is no picture, cut short, or of another size."},
    [RW_KIND_ORDER] = {"out-of-order", "The order of stills is in doubt", "look",
                       "Compare with its neighbours; name the order by hand if it is wrong.",
                       "The camera's clock and the numbering disagree."},
    [RW_KINDS] = {NULL, NULL, NULL, NULL, NULL},
};

const rw_finding_kind *rw_finding_kinds(void)
{
    return kinds;
}

const char *rw_severity_name(rw_severity severity)
{
    static const char *const names[] = {"note", "look", "redo"};
    return names[severity];
}

static const rw_survey_setting settings[] = {
    [RW_LIMIT_DOUBLED] = {"survey.doubled", "1", 0.05, 0.9, 0.2,
                          "Two stills show one frame when their grain is alike by this share of "
                          "what the usual likeness around them leaves."},
    [RW_LIMIT_CONTINUITY] = {"survey.continuity", "1", 0.05, 1, 0.7,
                             "A strip of the next picture that is not found again counts as a gap "
                             "when at least this share of the strips around it is found."},
    [RW_LIMIT_GAP] = {"survey.gap", "intervals", 1.2, 3, 1.5,
                      "A pause between two stills counts as a gap from this many usual intervals."},
    [RW_LIMIT_SMEAR] = {"survey.smear", "1", 1.05, 5, 1.3,
                        "A still is smeared when its edges along the film are wider than across by "
                        "this factor, against the reel's own usual."},
    [RW_LIMIT_FOCUS_TOLERANCE] = {"survey.focus.tolerance", "1", 0.02, 2, 0.2,
                                  "Growth of edge width, against the reel's sharpest, that is "
                                  "tolerated."},
    [RW_LIMIT_FOCUS_NOTICE] = {"survey.focus.notice", "1", 0.01, 2, 0.06,
                               "Steady growth of edge width from which a drift is told."},
    [RW_LIMIT_SOFT] = {"survey.soft", "1", 0.1, 5, 0.4,
                       "A still is soft when its edges are wider than its neighbours' by this "
                       "share."},
    [RW_LIMIT_STEP] = {"survey.exposure.step", "stops", 0.02, 2, 0.1,
                       "A lasting jump of the clear light that is told."},
    [RW_LIMIT_DRIFT] = {"survey.exposure.drift", "stops", 0.02, 3, 0.2,
                        "A slow change of the clear light over the reel that is told."},
    [RW_LIMIT_FLICKER] = {"survey.exposure.flicker", "1", 0.002, 0.5, 0.025,
                          "Frame-to-frame flicker, rms share of the light, that is told."},
    [RW_LIMIT_CLIPPED] = {"survey.clipped", "1", 0.0005, 0.5, 0.01,
                          "Share of the picture at the camera's ceiling that is told."},
    [RW_LIMIT_SENSOR_WIDTH] = {"optics.sensor-width", "mm", 3, 70, 36,
                               "Width of the camera's sensor, long side: turns blur in pixels into "
                               "defocus in um."},
    [RW_LIMIT_F_NUMBER] = {"optics.f-number", "1", 0, 64, 0,
                           "Marked f-number of the lens; 0: what Exif says, else 4."},
    [RW_LIMITS] = {NULL, NULL, 0, 0, 0, NULL},
};

const rw_survey_setting *rw_survey_settings(void)
{
    return settings;
}

void rw_limits_init(rw_limits *limits)
{
    for (int i = 0; i < RW_LIMITS; i++)
        limits->v[i] = settings[i].usual;
}

/* ---- the list ---- */

struct rw_verdicts {
    GArray *rows;
};

static void clear_verdict(gpointer data)
{
    rw_verdict *v = data;
    g_string_free(v->evidence, TRUE);
    g_free(v->because);
}

rw_verdicts *rw_verdicts_new(void)
{
    rw_verdicts *list = g_new0(rw_verdicts, 1);
    list->rows = g_array_new(FALSE, FALSE, sizeof(rw_verdict));
    g_array_set_clear_func(list->rows, clear_verdict);
    return list;
}

void rw_verdicts_free(rw_verdicts **verdicts)
{
    if (!*verdicts)
        return;
    g_array_unref((*verdicts)->rows);
    g_clear_pointer(verdicts, g_free);
}

size_t rw_verdicts_count(const rw_verdicts *verdicts)
{
    return verdicts->rows->len;
}

rw_verdict *rw_verdicts_get(rw_verdicts *verdicts, size_t i)
{
    return &g_array_index(verdicts->rows, rw_verdict, i);
}

rw_verdict *rw_verdicts_add(rw_verdicts *verdicts, rw_kind kind, rw_severity severity, size_t first,
                            size_t last, double confidence)
{
    rw_verdict v = {.kind = kind,
                    .severity = severity,
                    .first = first,
                    .last = last,
                    .anchor = first,
                    .confidence = CLAMP(confidence, 0, 1),
                    .evidence = g_string_new(NULL)};
    g_array_append_val(verdicts->rows, v);
    return rw_verdicts_get(verdicts, verdicts->rows->len - 1);
}

static int compare_verdicts(gconstpointer a, gconstpointer b)
{
    const rw_verdict *x = a, *y = b;
    if (x->first != y->first)
        return x->first < y->first ? -1 : 1;
    return (int)x->kind - (int)y->kind;
}

void rw_verdicts_sort(rw_verdicts *verdicts)
{
    g_array_sort(verdicts->rows, compare_verdicts);
}

bool rw_verdicts_cover(const rw_verdicts *verdicts, rw_kind kind, size_t i)
{
    for (guint k = 0; k < verdicts->rows->len; k++) {
        const rw_verdict *v = &g_array_index(verdicts->rows, rw_verdict, k);
        if (v->kind == kind && v->first <= i && i <= v->last)
            return true;
    }
    return false;
}

bool rw_verdicts_spoiled(const rw_verdicts *verdicts, size_t i)
{
    static const rw_kind spoils[] = {RW_KIND_SMEARED, RW_KIND_SOFT, RW_KIND_UNREADABLE};
    for (size_t k = 0; k < G_N_ELEMENTS(spoils); k++)
        if (rw_verdicts_cover(verdicts, spoils[k], i))
            return true;
    return false;
}

static void key(rw_verdict *verdict, const char *name)
{
    if (verdict->evidence->len)
        g_string_append_c(verdict->evidence, ',');
    rw_json_string(verdict->evidence, name);
    g_string_append_c(verdict->evidence, ':');
}

void rw_verdict_number(rw_verdict *verdict, const char *name, double value)
{
    key(verdict, name);
    rw_json_number(verdict->evidence, value, 5);
}

void rw_verdict_word(rw_verdict *verdict, const char *name, const char *word)
{
    key(verdict, name);
    rw_json_string(verdict->evidence, word);
}

void rw_verdict_frame(rw_verdict *verdict, const char *name, size_t position)
{
    g_return_if_fail(verdict->n_marks < RW_MOST_MARKS);
    verdict->mark[verdict->n_marks].key = name;
    verdict->mark[verdict->n_marks++].position = position;
}

void rw_verdict_because(rw_verdict *verdict, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    g_free(verdict->because);
    verdict->because = g_strdup_vprintf(format, arguments);
    va_end(arguments);
}

void rw_judge_all(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts)
{
    rw_judge_stills(track, limits, verdicts);
    rw_judge_blur(track, limits, verdicts);
    rw_judge_doubled(track, limits, verdicts);
    rw_judge_missing(track, limits, verdicts);
    rw_judge_focus(track, limits, verdicts);
    rw_judge_exposure(track, limits, verdicts);
    rw_judge_clipped(track, limits, verdicts);
    rw_judge_gate(track, limits, verdicts);
    rw_judge_splice(track, limits, verdicts);
    rw_verdicts_sort(verdicts);
}
