/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * keep.h - taking camera cards in so that nothing is lost, and keeping it provably whole.
 *
 * Calling sequence:
 *     rw_intake_options options = RW_INTAKE_DEFAULTS;
 *     rw_intake_summary summary;
 *     const char *cards[] = {"/media/CARD"};
 *     bool ok = rw_intake(cards, 1, "shelf/regatta", &options, &summary, &error);
 *     ... summary is filled in as far as it went, also when ok is false
 *     rw_intake_summary_clear(&summary);
 *
 * What intake promises:
 *   - The card is opened read-only.
 *   - Every file is hashed (SHA-256) while it is read, brought to the disk (fsync), read back from
 *     the disk and compared, and only then given its name and its row in reel.db.
 *   - Killed, cut off or out of room at any moment it leaves whole files only; the same command run
 *     again goes on where it stopped, and the end is the same as if nothing had happened: the same
 *     tree, the same rows (the journal, which holds times of day, aside).
 *   - A file already taken in is known by source, size and time, or else by its hash; the same
 *     content on two cards is taken once.
 *   - A file that is no picture, or half of one, is taken in byte for byte and told.
 *   - Stills of another shoot on the card (other camera, other size, a long pause) are asked about.
 *
 * One intake at a time works on a reel (a lock on REEL/.intake.lock that dies with its process).
 */
#ifndef REELWRIGHT_KEEP_H
#define REELWRIGHT_KEEP_H

#include <reelwright/reel.h>

#ifdef __cplusplus
extern "C" {
#endif

/* ---- shoots: stills that belong together ---- */

/* A card's stills fall into shoots where the camera, its serial number or the size of the picture
 * changes, and where nothing was taken for at least 20 minutes and 200 times the usual interval
 * (our own choice: a change of reels takes minutes, a pause between stills a second). Stills that
 * say nothing of themselves (empty files, no Exif) go with the still before them in the numbering,
 * or with the one after. */
typedef struct rw_shoot {
    char *id;                  /* the same whenever the same card is looked at */
    char *camera, *serial;     /* "" unknown */
    int width, height;         /* of most of them; 0 unknown */
    int64_t first_us, last_us; /* INT64_MIN when no still has a time */
    size_t stills;
    int64_t bytes;
    char *first_name, *last_name; /* on the card */
} rw_shoot;

/* "3,612 stills, 2026-03-14 09:30 to 10:41, 6000 x 4000, ..."; valid UTF-8; free with g_free. */
RW_API char *rw_shoot_describe(const rw_shoot *shoot);

/* ---- intake ---- */

typedef struct rw_intake_options {
    /* For a new reel; a reel that is there already must agree with what is given. */
    const char *gauge; /* NULL: super8, or what the reel has */
    rw_rational fps;   /* num 0: the gauge's usual speed, or what the reel has */
    const char *title; /* NULL: none, or what the reel has */
    /* Which shoots: "all", "largest", or a list of their numbers (from 1, in order of time) and
     * serial numbers, "1,3" or "0031337". NULL: the only one; the ones that an earlier intake of
     * this reel chose; else ask. */
    const char *take;
    int64_t since_us, until_us; /* only stills taken within; INT64_MIN, INT64_MAX: no limit */
    bool verify;   /* also read again what was taken in before, on the card and in the reel */
    int threads;   /* that read, hash and compare: 1..8 */
    bool progress; /* draw it on stderr */
    /* Several shoots and nothing said: returns what take would have said (g_free'd here), or NULL
     * to take nothing. No ask: RW_ERROR_USAGE with a sentence that lists them. */
    char *(*ask)(const rw_shoot *shoots, size_t count, void *user);
    /* The reel was surveyed before: stills of the new batch are not put in the row of frames here.
     * match does that, by picture and order, inside a transaction of its own. NULL: they wait for
     * the next survey. May be called again for the same batch after a crash. */
    bool (*match)(rw_reel *reel, int batch, void *user, GError **error);
    bool (*stop)(void *user); /* asked between files and blocks, by any thread; NULL: never */
    void *user;
} rw_intake_options;

#define RW_INTAKE_DEFAULTS                                                                         \
    {                                                                                              \
        NULL, {0, 1}, NULL, NULL, INT64_MIN, INT64_MAX, false, 2, false, NULL, NULL, NULL, NULL    \
    }

/* Something that a person may want to look at. */
typedef struct rw_intake_trouble {
    char *path; /* in the reel, or on the card if it is not in the reel */
    char *what; /* a few words */
} rw_intake_trouble;

typedef struct rw_intake_summary {
    /* of the cards that were given */
    int64_t taken;                      /* stills copied and verified in this run */
    int64_t known;                      /* taken in by an earlier run */
    int64_t duplicates;                 /* the same content as a still that is in the reel */
    int64_t companions;                 /* raw files and the like beside the stills, taken in too */
    int64_t bytes;                      /* copied in this run */
    int64_t other_shoots, other_stills; /* left on the card on purpose */
    int64_t others;                     /* films and sound on the card: not taken */
    GPtrArray *unread;                  /* rw_intake_trouble: could not be read from the card */
    /* of the reel as it is now */
    int64_t stills, frames;
    int batch;  /* the stills that came in together, from 1 */
    bool waits; /* the reel was surveyed before: the new stills wait for the next survey */
    GPtrArray *unreadable, *damaged; /* rw_intake_trouble */
    int64_t gaps, missing_numbers;
    GPtrArray *notes;        /* char *: what else is worth knowing of the order, whole sentences */
    double order_confidence; /* still.h; 0 when the order was not made */
    int64_t pause_us;        /* the longest pause between two stills of the order, 0 unknown */
    char *pause_after;       /* the still before it */
    /* in one word */
    bool safe_to_wipe; /* every still and companion of the cards is in the reel, read back */
    char *why_not;     /* one sentence; NULL when safe */
} rw_intake_summary;

RW_API void rw_intake_summary_clear(rw_intake_summary *summary);

/* cards: folders, in the order in which they were shot if that is known. reel: a new folder, an
 * empty one, or a reel. */
RW_API bool rw_intake(const char *const *cards, size_t n_cards, const char *reel,
                      const rw_intake_options *options, rw_intake_summary *summary, GError **error);

/* The batch in which a still came in, 1 for the first; 0 unknown. */
RW_API int rw_intake_batch_of(rw_reel *reel, int64_t still, GError **error);
/* Ids (int64_t) of the stills of a batch that show a picture or should, in capture order. */
RW_API GArray *rw_intake_batch_stills(rw_reel *reel, int batch, GError **error);
/* The newest batch; 0 when nothing was taken in yet. */
RW_API int rw_intake_last_batch(rw_reel *reel, GError **error);

/* ---- copying ---- */

/* The SHA-256 (FIPS 180-4) of a file as lower-case hex. */
RW_API bool rw_file_sha256(const char *path, char sha256[65], GError **error);

/* ---- the list of checksums ---- */

/* Writes REEL/stills.sha256, one line for every file taken in, as sha256sum -c reads it inside the
 * reel folder; leaves it alone when it says the same already. */
RW_API bool rw_manifest_write(rw_reel *reel, GError **error);

#ifdef __cplusplus
}
#endif
#endif
