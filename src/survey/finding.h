/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * finding.h - the table of findings, the settings they go by, and the list that judges write.
 *
 * To add a finding: a kind in the enum, its row in finding.c, a judge in an m_*.c that adds
 * verdicts, its call in judge.c.
 */
#ifndef RW_SURVEY_FINDING_H
#define RW_SURVEY_FINDING_H

#include "survey/track.h"

typedef enum rw_kind {
    RW_KIND_MISSING,
    RW_KIND_DOUBLED,
    RW_KIND_SMEARED,
    RW_KIND_FOCUS_DRIFT,
    RW_KIND_SOFT,
    RW_KIND_EXPOSURE,
    RW_KIND_CLIPPED,
    RW_KIND_HAIR,
    RW_KIND_PERFORATION,
    RW_KIND_LOST,
    RW_KIND_SPLICE,
    RW_KIND_UNREADABLE,
    RW_KIND_ORDER,
    RW_KINDS
} rw_kind;

typedef enum rw_severity { RW_NOTE, RW_LOOK, RW_REDO } rw_severity;
const char *rw_severity_name(rw_severity severity);

typedef enum rw_limit {
    RW_LIMIT_DOUBLED,
    RW_LIMIT_CONTINUITY,
    RW_LIMIT_GAP,
    RW_LIMIT_SMEAR,
    RW_LIMIT_FOCUS_TOLERANCE,
    RW_LIMIT_FOCUS_NOTICE,
    RW_LIMIT_SOFT,
    RW_LIMIT_STEP,
    RW_LIMIT_DRIFT,
    RW_LIMIT_FLICKER,
    RW_LIMIT_CLIPPED,
    RW_LIMIT_SENSOR_WIDTH,
    RW_LIMIT_F_NUMBER,
    RW_LIMITS
} rw_limit;

typedef struct rw_limits {
    double v[RW_LIMITS];
} rw_limits;

void rw_limits_init(rw_limits *limits);

enum { RW_MOST_MARKS = 2 };

/* Something that a judge holds against positions first..last of a track. */
typedef struct rw_verdict {
    rw_kind kind;
    rw_severity severity;
    size_t first, last;
    size_t anchor;      /* position of the still it hangs on */
    size_t missing;     /* how many frames lie between first - 1 and first */
    bool sure;          /* act on it: insert the frames, pass over the still */
    bool dismissed;     /* a person said that it is nothing */
    double confidence;  /* 0..1 */
    const char *advice; /* NULL: the kind's own */
    GString *evidence;  /* members of a JSON object, comma-separated; owned */
    char *because;      /* what was seen, one sentence for a person; owned */
    struct {
        const char *key;
        size_t position;
    } mark[RW_MOST_MARKS]; /* positions to be told as frames of the film */
    int n_marks;
} rw_verdict;

typedef struct rw_verdicts rw_verdicts;
rw_verdicts *rw_verdicts_new(void);
void rw_verdicts_free(rw_verdicts **verdicts);
size_t rw_verdicts_count(const rw_verdicts *verdicts);
/* Owned by the list, valid until the next add. */
rw_verdict *rw_verdicts_get(rw_verdicts *verdicts, size_t i);
rw_verdict *rw_verdicts_add(rw_verdicts *verdicts, rw_kind kind, rw_severity severity, size_t first,
                            size_t last, double confidence);
/* By first position, then kind. */
void rw_verdicts_sort(rw_verdicts *verdicts);
/* Is position i covered by a verdict of this kind? */
bool rw_verdicts_cover(const rw_verdicts *verdicts, rw_kind kind, size_t i);
/* Is the still at position i smeared, soft or unreadable? It tells nothing of film or gate then. */
bool rw_verdicts_spoiled(const rw_verdicts *verdicts, size_t i);

/* Decoded pixels within which a strip of the next picture is where the pitch puts it: registration
 * is good for a few hundredths. A mere likeness of two pictures is off by the unsteadiness of the
 * camera that shot them, a pixel and more, and by whatever moved. */
#define RW_STRIP_HOME_PX 0.45

/* Evidence: a number with its unit in the key ("gap_s"), or a word. */
void rw_verdict_number(rw_verdict *verdict, const char *key, double value);
void rw_verdict_word(rw_verdict *verdict, const char *key, const char *word);
/* A position, told as the film frame that it shows once frames are numbered. key: static. */
void rw_verdict_frame(rw_verdict *verdict, const char *key, size_t position);
/* What was seen, as a sentence that needs none of the numbers' names. */
void rw_verdict_because(rw_verdict *verdict, const char *format, ...) G_GNUC_PRINTF(2, 3);

/* ---- the judges ---- */

void rw_judge_stills(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts);
/* Smeared and soft stills. */
void rw_judge_blur(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts);
/* After blur: a blurred still does not tell what likeness is usual. */
void rw_judge_doubled(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts);
/* Where stills show a strip of the next picture: 1 beyond the far frame line, -1 beyond the near
 * one, 0 nowhere to speak of. home: where it is usually found on the next still, off the nominal
 * pitch, decoded pixels. */
int rw_track_next_side(const rw_track *track, rw_point *home);
/* Share of such strips that are found round each position of its scene, 0..1; share: count of them.
 */
void rw_track_hearing(const rw_track *track, const rw_verdicts *verdicts, double *share);
/* After doubled and blur: what they explain is no gap. */
void rw_judge_missing(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts);
void rw_judge_focus(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts);
void rw_judge_exposure(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts);
void rw_judge_clipped(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts);
/* After blur: a smeared still's perforation is not torn. */
void rw_judge_gate(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts);
void rw_judge_splice(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts);

/* All of them in their order. */
void rw_judge_all(const rw_track *track, const rw_limits *limits, rw_verdicts *verdicts);

/* After all: looks at the small pictures in the reel's cache, one after the other, which takes
 * longest by far. False with RW_ERROR_CANCELLED when options->cancel said so. */
bool rw_judge_hair(const rw_track *track, const char *reel_path, const rw_survey_options *options,
                   rw_verdicts *verdicts, GError **error);

#endif
