/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * reel.h - a reel folder and its reel.db: stills, frames, measurements, findings, choices, facts.
 *
 * Calling sequence:
 *     rw_reel *reel = rw_reel_open("shelf/regatta", &error);
 *     rw_reel_begin(reel, &error);
 *     rw_reel_put_measure(reel, 17, "sharpness", 1, 0.83, &error);
 *     rw_reel_commit(reel, &error);
 *     rw_reel_close(&reel);
 *
 * A handle belongs to one thread. Several processes may hold the same reel: SQLite in WAL mode,
 * a busy writer is waited for (10 s). Everything between begin and commit appears whole or not at
 * all, also after kill -9 or a power cut. docs/reel-folder.md is the format as a stranger needs it.
 * Strings and rows that functions return are owned by the caller unless said otherwise.
 */
#ifndef REELWRIGHT_REEL_H
#define REELWRIGHT_REEL_H

#include <reelwright/film.h>
#include <reelwright/types.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct rw_reel rw_reel;

/* ---- the folder ---- */

/* Makes REEL/, stills/, cache/, out/ and reel.db. Fails with RW_ERROR_CONFLICT when there is a
 * reel already. gauge is a name of the gauge table. */
RW_API rw_reel *rw_reel_create(const char *path, const char *gauge, rw_rational fps,
                               const char *title, GError **error);
RW_API rw_reel *rw_reel_open(const char *path, GError **error);
RW_API void rw_reel_close(rw_reel **reel);
RW_API bool rw_reel_exists(const char *path);
/* Owned by the reel. */
RW_API const char *rw_reel_path(const rw_reel *reel);
/* Absolute-or-as-given path of something in the reel; free with g_free. */
RW_API char *rw_reel_file(const rw_reel *reel, const char *relative);

/* ---- transactions: not nested; every put outside of one is its own ---- */
RW_API bool rw_reel_begin(rw_reel *reel, GError **error);
RW_API bool rw_reel_commit(rw_reel *reel, GError **error);
RW_API void rw_reel_rollback(rw_reel *reel);

/* ---- what is known of the whole reel: key -> text ----
 * Keys in use: gauge, fps, title, created, camera.serial ... NULL when absent (no error set). */
RW_API char *rw_reel_get_meta(rw_reel *reel, const char *key, GError **error);
RW_API bool rw_reel_put_meta(rw_reel *reel, const char *key, const char *value, GError **error);
RW_API const rw_gauge *rw_reel_gauge(rw_reel *reel, GError **error);
RW_API bool rw_reel_fps(rw_reel *reel, rw_rational *fps, GError **error);

/* ---- stills: one row per camera file taken in, never deleted ---- */
typedef enum rw_still_state {
    RW_STILL_GOOD,
    RW_STILL_UNREADABLE, /* taken in byte for byte, but no picture can be made of it */
    RW_STILL_DAMAGED,    /* a picture, cut short */
    RW_STILL_COMPANION   /* no still: a file that came with one (raw, sidecar) and is kept with it;
                            no frame shows it */
} rw_still_state;

typedef struct rw_still_row {
    int64_t id;         /* 0: not yet stored */
    char *path;         /* relative to the reel, "stills/100RWDMO/RWD_0001.JPG" */
    char *source;       /* where it came from, as given */
    int folder, number; /* DCF directory and file number, -1 when the name is not DCF */
    int64_t bytes;
    int64_t mtime_us; /* of the source file, 0 unknown: to know it again without reading it */
    char sha256[65];  /* lower-case hex, "" unknown */
    int width, height, orientation;
    int64_t captured_us; /* camera clock, INT64_MIN when unknown */
    char *serial;
    rw_still_state state;
    char *fault; /* one line, NULL when none */
} rw_still_row;

RW_API void rw_still_row_clear(rw_still_row *row);
/* Inserts (id 0 -> set) or updates by id. */
RW_API bool rw_reel_put_still(rw_reel *reel, rw_still_row *row, GError **error);
RW_API bool rw_reel_get_still(rw_reel *reel, int64_t id, rw_still_row *row, GError **error);
/* False without an error when there is none. */
RW_API bool rw_reel_find_still(rw_reel *reel, const char *path, rw_still_row *row, GError **error);
/* All, ordered by id. GArray of rw_still_row; g_array_unref frees the rows too. */
RW_API GArray *rw_reel_stills(rw_reel *reel, GError **error);

/* ---- frames: film order, n = 0, 1, 2 ... without holes in n ----
 * still 0: a frame of the film that no still shows (missing). doubled_of >= 0: this still shows the
 * same film frame as frame number doubled_of. capture is the place in capture order. */
typedef struct rw_frame_row {
    int64_t n;
    int64_t still;
    int64_t doubled_of; /* -1 none */
    int64_t replaced;   /* id of the still that this one replaced, 0 none */
} rw_frame_row;

RW_API int64_t rw_reel_frame_count(rw_reel *reel, GError **error); /* -1 on error */
/* Pictures on the film before frame n (rw_reel_frame_count: on the reel): second stills of the same
 * one do not count. What footage and running time are reckoned from. -1 on error. */
RW_API int64_t rw_reel_film_before(rw_reel *reel, int64_t n, GError **error);
RW_API bool rw_reel_get_frame(rw_reel *reel, int64_t n, rw_frame_row *row, GError **error);
/* Rows first..last inclusive, GArray of rw_frame_row in order of n. */
RW_API GArray *rw_reel_frames(rw_reel *reel, int64_t first, int64_t last, GError **error);
RW_API bool rw_reel_put_frame(rw_reel *reel, const rw_frame_row *row, GError **error);
/* Puts frames rows[0..count) in place of all that there were, in one statement of order.
 * Measurements follow their still: a still that stays keeps what was measured. */
RW_API bool rw_reel_set_frames(rw_reel *reel, const rw_frame_row *rows, size_t count,
                               GError **error);

/* ---- measurements: (still, measure, version) -> number or bytes ----
 * Keyed by STILL id, so that a change of film order loses nothing. */
RW_API bool rw_reel_put_measure(rw_reel *reel, int64_t still, const char *measure, int version,
                                double value, GError **error);
RW_API bool rw_reel_put_measure_blob(rw_reel *reel, int64_t still, const char *measure, int version,
                                     const void *data, size_t bytes, GError **error);
/* NAN without error when absent or of another version (version 0: any). */
RW_API double rw_reel_get_measure(rw_reel *reel, int64_t still, const char *measure, int version,
                                  GError **error);
/* NULL without error when absent. */
RW_API GBytes *rw_reel_get_measure_blob(rw_reel *reel, int64_t still, const char *measure,
                                        int version, GError **error);
/* One measure over frames first..last in film order, NAN where absent; count = last-first+1. */
RW_API bool rw_reel_measure_series(rw_reel *reel, const char *measure, int version, int64_t first,
                                   int64_t last, double *values, GError **error);
RW_API bool rw_reel_delete_measure(rw_reel *reel, int64_t still, const char *measure,
                                   GError **error);

/* ---- geometry: where the film lies on each still, after the whole reel was weighed ---- */
typedef struct rw_geometry_row {
    int64_t n;
    rw_affine film_to_still; /* film mm -> stored pixels, docs/units.md */
    char method[16];         /* perforation, gate, picture, none */
    double confidence;       /* 0..1 */
} rw_geometry_row;

RW_API bool rw_reel_put_geometry(rw_reel *reel, const rw_geometry_row *row, GError **error);
/* False without error when the frame has none. */
RW_API bool rw_reel_get_geometry(rw_reel *reel, int64_t n, rw_geometry_row *row, GError **error);
RW_API bool rw_reel_clear_geometry(rw_reel *reel, GError **error);

/* Where the film lies on frame n's still for all that follows the survey: where a person said,
 * which is the choice "registration" of scope "frame:<n>" (method "person", confidence 1), else as
 * surveyed. False without an error when there is neither. */
RW_API bool rw_reel_get_placement(rw_reel *reel, int64_t n, rw_geometry_row *row, GError **error);
/* The same for frames first..last at once: GArray of rw_geometry_row, one for each frame in order;
 * method is "" where there is neither. */
RW_API GArray *rw_reel_placements(rw_reel *reel, int64_t first, int64_t last, GError **error);
/* The choice's text: the six numbers of film_to_still, row by row, with blanks between. */
RW_API char *rw_placement_format(rw_affine place);
RW_API bool rw_placement_parse(const char *text, rw_affine *place);

/* ---- scenes: first..last frames inclusive, in order, covering the reel ---- */
typedef struct rw_scene_row {
    int64_t id;
    int64_t first, last;
    char cue[16]; /* how it begins: head, cut, splice, fade, person */
} rw_scene_row;
RW_API GArray *rw_reel_scenes(rw_reel *reel, GError **error);
RW_API bool rw_reel_set_scenes(rw_reel *reel, const rw_scene_row *rows, size_t count,
                               GError **error);

/* ---- findings ---- */
typedef struct rw_finding_row {
    int64_t id;
    char *kind;
    int64_t first, last;
    int64_t still;  /* 0 none; the finding's anchor through another survey */
    char *severity; /* note, look, redo */
    double confidence;
    char *evidence; /* a JSON object */
    char *advice;   /* one line */
    char *state;    /* open, confirmed, dismissed */
    char *note;     /* a person's words, NULL none */
} rw_finding_row;

RW_API void rw_finding_row_clear(rw_finding_row *row);
/* Worst first: redo, look, note; then by confidence, then by first frame. GArray of
 * rw_finding_row; g_array_unref frees the rows too. */
RW_API GArray *rw_reel_findings(rw_reel *reel, GError **error);
/* Puts the findings of a new survey in place of the old ones. One that matches an old one of the
 * same kind and still keeps that one's id, state and note; an old one with a state or a note that
 * no new one matches stays as it is. */
RW_API bool rw_reel_set_findings(rw_reel *reel, const rw_finding_row *rows, size_t count,
                                 GError **error);
RW_API bool rw_reel_judge_finding(rw_reel *reel, int64_t id, const char *state, const char *note,
                                  GError **error);

/* ---- choices: what a person decided; scope "reel", "scene:<id>" or "frame:<n>" ---- */
RW_API char *rw_reel_get_choice(rw_reel *reel, const char *scope, const char *key, GError **error);
/* value NULL takes the choice back. Every change is kept in the history with its time. */
RW_API bool rw_reel_put_choice(rw_reel *reel, const char *scope, const char *key, const char *value,
                               GError **error);

/* ---- what a person said of single blemishes: the choice "blemish.spots" of scope "frame:<n>" ----
 * Its text: "X Y leave" or "X Y repair", X and Y in film mm, one after the other with commas. */
#define RW_SPOT_WORDS "blemish.spots"
typedef struct rw_spot_word {
    double x, y; /* film mm */
    int word;    /* -1 leave it alone, 1 repair it */
} rw_spot_word;
/* GArray of rw_spot_word, g_array_unref; NULL when the text is none. */
RW_API GArray *rw_spot_words_parse(const char *text);

/* ---- choices, all of them, and their history ----
 * Changes that were made together are one step, named by the id of its first change. Undoing a step
 * is a step of its own; nothing is ever taken out of the history. The revision is the id of the
 * newest change, 0 at first: it grows with every change. */
typedef struct rw_choice_row {
    char *scope, *key;
    char *value; /* NULL, in a change: taken back */
} rw_choice_row;

typedef struct rw_choice_change {
    int64_t id, step;
    int64_t undoes; /* step that this one takes back, 0 none */
    char *at;       /* UTC, ISO 8601 */
    char *scope, *key;
    char *before, *after; /* NULL: no choice */
} rw_choice_change;

RW_API void rw_choice_row_clear(rw_choice_row *row);
RW_API void rw_choice_change_clear(rw_choice_change *change);
/* By scope and key. GArray of rw_choice_row; g_array_unref frees the rows too. */
RW_API GArray *rw_reel_choices(rw_reel *reel, GError **error);
RW_API int64_t rw_reel_choice_revision(rw_reel *reel, GError **error); /* -1 on error */
/* With an id above `after`, oldest first. GArray of rw_choice_change; g_array_unref frees all. */
RW_API GArray *rw_reel_choice_changes(rw_reel *reel, int64_t after, GError **error);
/* All of rows or none, as one step; a row that says what holds already changes nothing. *step (may
 * be NULL) is 0 when none did. */
RW_API bool rw_reel_change_choices(rw_reel *reel, const rw_choice_row *rows, size_t count,
                                   int64_t *step, GError **error);
/* The steps that undo and redo would take back; 0: none. */
RW_API bool rw_reel_undo_state(rw_reel *reel, int64_t *undo, int64_t *redo, GError **error);
/* expected: what rw_reel_undo_state said, or 0. RW_ERROR_CONFLICT when another step has come in
 * between or there is none. */
RW_API bool rw_reel_undo(rw_reel *reel, int64_t expected, int64_t *step, GError **error);
RW_API bool rw_reel_redo(rw_reel *reel, int64_t expected, int64_t *step, GError **error);

/* ---- facts: what preparation computed from history, keyed by stage, version, parameters ---- */
/* NULL without error when absent. params_hash: any short text that names the parameters. */
RW_API GBytes *rw_reel_get_fact(rw_reel *reel, const char *stage, int version,
                                const char *params_hash, const char *key, GError **error);
RW_API bool rw_reel_put_fact(rw_reel *reel, const char *stage, int version, const char *params_hash,
                             const char *key, const void *data, size_t bytes, GError **error);

/* Kind of the facts that a survey leaves for the stages under stage "survey", parameters "". */
#define RW_SURVEY_FACTS_VERSION 1

/* ---- looks: lookup tables that a choice names, kept in looks/ under their SHA-256 ----
 * Keeps a copy of data; returns the text for the choice, "<64 hexadecimal digits> <name>"; g_free.
 * Keeping the same twice keeps it once. */
RW_API char *rw_reel_keep_look(rw_reel *reel, const char *name, const void *data, size_t bytes,
                               GError **error);
/* The content, its SHA-256 checked; NULL with the error set. g_bytes_unref. */
RW_API GBytes *rw_reel_read_look(rw_reel *reel, const char *text, GError **error);

/* ---- the journal: what was done to this reel, when, by which version ---- */
RW_API bool rw_reel_log_event(rw_reel *reel, const char *event, const char *detail, GError **error);

typedef struct rw_journal_row {
    int64_t id;
    char *at; /* UTC, ISO 8601 */
    char *program, *event;
    char *detail; /* NULL none */
} rw_journal_row;
/* Oldest first. GArray of rw_journal_row; g_array_unref frees the rows too. */
RW_API GArray *rw_reel_journal(rw_reel *reel, GError **error);

/* ---- a copy of what is known ----
 * reel.db as it stands at this moment, in one file that needs no other beside it (SQLite's VACUUM
 * INTO; never half a change of another program). path appears whole or not at all. */
RW_API bool rw_reel_snapshot(rw_reel *reel, const char *path, GError **error);

#ifdef __cplusplus
}
#endif
#endif
