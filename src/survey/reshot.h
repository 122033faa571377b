/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * reshot.h - stills that came in after a survey: measured, compared with the film round the places
 * that want a new still, and placed there (place.h says by what).
 *
 * Which stills are late: those of the first batch of intake that found a surveyed reel, and of all
 * after it. Each batch is a rig of its own: where the film lies on its stills is settled anew.
 *
 *     rw_reshot *reshot = rw_reshot_place(reel, track, verdicts, &options, &error);
 *     ... reshot->slots, rw_reshot_find(reshot, still) ...
 *     rw_reshot_store(reshot, reel, &error);      // inside the caller's transaction
 *     rw_reshot_free(&reshot);
 */
#ifndef RW_SURVEY_RESHOT_H
#define RW_SURVEY_RESHOT_H

#include <reelwright/survey.h>

#include "survey/finding.h"
#include "survey/place.h"

/* Key of the reel's meta: number of the first late batch. */
#define RW_META_LATE "survey.late"
/* Measurement of a late still: its rw_late_role. */
#define RW_RESHOT_ROLE         "reshot"
#define RW_RESHOT_ROLE_VERSION 1

typedef struct rw_reshot_still {
    int64_t still;
    rw_late_role role;
    rw_gate_fit fit;
} rw_reshot_still;

typedef struct rw_reshot {
    int batch;        /* the first late one; 0: there are none */
    GArray *slots;    /* of rw_slot, in the order of the film */
    GArray *stills;   /* of rw_reshot_still, all late ones */
    int64_t measured; /* stills that were decoded now */
} rw_reshot;

/* track and verdicts are the spine's, which must not change before rw_reshot_free. */
rw_reshot *rw_reshot_place(rw_reel *reel, const rw_track *track, rw_verdicts *verdicts,
                           const rw_survey_options *options, GError **error);
void rw_reshot_free(rw_reshot **reshot);
/* NULL when it is none of them. */
const rw_reshot_still *rw_reshot_find(const rw_reshot *reshot, int64_t still);
bool rw_reshot_store(const rw_reshot *reshot, rw_reel *reel, GError **error);

/* The first late batch as it is known or plain to see; 0: none, -1 on error. A still of it or a
 * later batch is late. */
int rw_reshot_first_batch(rw_reel *reel, GError **error);
/* The batch of intake in which a still came in, 0 unknown. */
int rw_reshot_batch_of(rw_reel *reel, int64_t still, GError **error);

#endif
