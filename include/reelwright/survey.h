/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * survey.h - is the capture good? Measures every still once, judges the whole reel, says what to
 * do.
 *
 * Calling sequence:
 *     rw_reel *reel = rw_reel_open("shelf/regatta", &error);
 *     rw_survey_options options = RW_SURVEY_DEFAULTS;
 *     rw_survey_summary summary;
 *     rw_survey_run(reel, &options, &summary, &error);     // resumable at every still
 *     rw_survey_write_json(reel, stdout, &error);
 *     rw_findings_write_json(reel, stdout, &error);
 *
 * A run first measures what is not measured yet: every still is decoded once, by several threads,
 * and compared with the one before it. Then it judges: geometry, film order, scenes, findings, all
 * put in place in one transaction. Killed at any moment it goes on where it stopped, and ends with
 * the same reel.db (the journal aside) and the same cache as an undisturbed run. Only one survey
 * works on a reel at a time. Memory does not grow with the reel but for two thousand bytes or so a
 * frame.
 *
 * A fault of one still is a finding and never ends the run.
 */
#ifndef REELWRIGHT_SURVEY_H
#define REELWRIGHT_SURVEY_H

#include <stdatomic.h>
#include <stdio.h>

#include <reelwright/reel.h>
#include <reelwright/statistics.h>

#ifdef __cplusplus
extern "C" {
#endif

/* ---- the run ---- */

typedef struct rw_survey_options {
    int threads;               /* 0: as many as there are cores */
    bool progress;             /* draw it on stderr */
    bool again;                /* forget what was measured before */
    const atomic_bool *cancel; /* may be NULL */
} rw_survey_options;

#define RW_SURVEY_DEFAULTS                                                                         \
    {                                                                                              \
        0, false, false, NULL                                                                      \
    }

typedef struct rw_survey_summary {
    int64_t stills, measured; /* in the row of frames; measured by this run */
    int64_t frames;           /* places in the film, missing ones and repeats with them */
    int64_t missing, doubled; /* frames that no still shows; stills that repeat a frame */
    int64_t unreadable;
    /* stills that were shot again: in the film now; of frames that have a good still; of unknown
     * place */
    int64_t placed, spare, unplaced;
    int64_t findings, redo; /* all of them that are not dismissed; those that need a new still */
} rw_survey_summary;

RW_API bool rw_survey_run(rw_reel *reel, const rw_survey_options *options,
                          rw_survey_summary *summary, GError **error);

/* ---- what is measured ---- */

typedef enum rw_measure_scope {
    RW_MEASURE_STILL, /* of one still by itself */
    RW_MEASURE_PAIR   /* of a still and the one before it in the order of capture */
} rw_measure_scope;

typedef struct rw_measure_info {
    const char *name;  /* in reel.db: "sharpness" */
    const char *title; /* "Sharpness" */
    const char *unit;  /* "px", "1" */
    int version;
    rw_measure_scope scope;
    bool plot;        /* worth a curve in a report */
    const char *help; /* one sentence: what it is, how it is measured */
} rw_measure_info;

/* NULL-name-ended, static. rw_reel_measure_series reads one along the reel. */
RW_API const rw_measure_info *rw_measure_table(void);

/* Paths of a still's small pictures, relative to the reel: "cache/000017.jpg", about 480 px wide,
 * in the order of the stored rows. Free with g_free. */
RW_API char *rw_survey_picture_path(int64_t still);

/* How the tones and colours of frames first..last are spread, from the 300 samples that the survey
 * keeps of each still, as coded there; of at most 64 frames, evenly. out->pixels is 0 when none was
 * measured. */
RW_API bool rw_survey_spread(rw_reel *reel, int64_t first, int64_t last, rw_statistics *out,
                             GError **error);

/* ---- findings ---- */

typedef struct rw_finding_kind {
    const char *name;     /* "missing-frame" */
    const char *title;    /* "A film frame was not taken" */
    const char *severity; /* what it is at its usual strength: note, look, redo */
    const char *advice;   /* one line */
    const char *help;     /* how it is found, for the manual */
} rw_finding_kind;

/* NULL-name-ended, static, in the order of the contract. */
RW_API const rw_finding_kind *rw_finding_kinds(void);

/* Thresholds that a person may set, as choices of scope "reel" with key "survey.<name>". */
typedef struct rw_survey_setting {
    const char *key, *unit;
    double least, most, usual;
    const char *help;
} rw_survey_setting;
RW_API const rw_survey_setting *rw_survey_settings(void); /* NULL-key-ended, static */

/* ---- to shoot again ---- */

typedef struct rw_reshoot_row {
    int64_t first, last;      /* frames as they are numbered in the reel */
    double first_mm, last_mm; /* along the film from the centre of frame 0 */
    char *why;                /* kinds, comma-separated */
} rw_reshoot_row;
/* Runs of frames that need new stills: findings of severity redo that are not dismissed and frames
 * that no still shows. GArray of rw_reshoot_row in film order; g_array_unref frees the rows too. */
RW_API GArray *rw_survey_reshoot(rw_reel *reel, GError **error);

/* ---- documents: one JSON object and a line feed, as DESIGN.md words them ---- */

RW_API bool rw_survey_write_json(rw_reel *reel, FILE *out, GError **error);
RW_API bool rw_findings_write_json(rw_reel *reel, FILE *out, GError **error);
RW_API bool rw_reshoot_write_json(rw_reel *reel, FILE *out, GError **error);

/* ---- watching a transfer ---- */

typedef enum rw_watch_type { RW_WATCH_STILL, RW_WATCH_WARNING, RW_WATCH_REFUSED } rw_watch_type;

typedef struct rw_watch_event {
    rw_watch_type type;
    int64_t n;        /* stills seen before this one */
    const char *path; /* of the still, as it was found */
    /* after a still: */
    double footage_mm;   /* film done, doubled stills not counted, missing frames counted */
    double seconds_left; /* to the end of the reel at the rate so far; NAN unknown */
    int64_t free_bytes, stills_left; /* on the disk that is written to; -1 unknown */
    double stills_per_s;
    /* a warning: */
    const char *kind; /* of the finding */
    int64_t first;    /* still at which it began */
    double confidence;
    const char *advice; /* what to do now */
    const char *detail; /* figures, one line */
    /* refused: why this file is no still */
} rw_watch_event;

typedef struct rw_watch_options {
    const rw_gauge *gauge;
    double reel_mm; /* length of the film; 0 unknown */
    double idle_s;  /* end after so long without a new file; 0: never */
    int threads;    /* 0: as many as there are cores */
    const atomic_bool *cancel;
    void (*event)(const rw_watch_event *event, void *user); /* on the calling thread */
    void *user;
} rw_watch_options;

/* Follows a folder tree until cancelled or idle. Stills that lie there already come first. */
RW_API bool rw_watch_run(const char *folder, const rw_watch_options *options, GError **error);

#ifdef __cplusplus
}
#endif
#endif
