/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * card.h - what lies on the cards: stills, what belongs to them, and the rest.
 *
 * Files of one folder that share a name but for its extension are one object (so DCF pairs a JPEG
 * with a raw file). An object with a JPEG, PNG or TIFF in it is a still; its other files are its
 * companions. Of several pictures in one object the one that can hold most is the still: TIFF, then
 * PNG, then JPEG.
 */
#ifndef RW_KEEP_CARD_H
#define RW_KEEP_CARD_H

#include <reelwright/keep.h>
#include <reelwright/still.h>

typedef enum rw_card_kind {
    RW_CARD_STILL,
    RW_CARD_COMPANION,
    RW_CARD_OTHER,       /* no still, but nobody's rubbish either: a DCF name, or 1 MB and more */
    RW_CARD_HOUSEKEEPING /* small files that cameras leave beside their pictures */
} rw_card_kind;

typedef struct rw_card_file {
    int card;
    char *source;         /* the card as given, '/', the path on the card */
    const char *relative; /* into source: the path on the card */
    rw_card_kind kind;
    int64_t bytes, mtime_us;

    /* of stills, from their headers; a companion has its still's */
    rw_still_info info;
    char *fault; /* NULL, or why there is no picture to expect */
    guint still; /* of a companion: index of its still */
    int shoot;   /* index of its shoot, -1 outside of the times that were asked for */
} rw_card_file;

/* Array of rw_card_file in natural order of card and path; g_array_unref frees it. */
GArray *rw_card_scan(const char *const *cards, size_t n_cards, GError **error);

/* Reads the headers of all stills with n_threads. Only a card that does not answer is an error. */
bool rw_card_probe(GArray *files, int n_threads, bool (*stop)(void *user), void *user,
                   GError **error);

/* Shoots of the stills taken within the times (see keep.h), sorted by time; sets shoot of stills
 * and companions. Array of rw_shoot; g_array_unref frees it. */
GArray *rw_card_shoots(GArray *files, int64_t since_us, int64_t until_us);

/* A sentence as a few words: without the path that it begins with and the full stop. */
char *rw_few_words(const char *sentence, const char *path);

/* How order sees a file: has_subsec only as far as reel.db could tell, so that an order made from
 * the card and one made from reel.db agree. */
rw_shot rw_card_shot(const rw_card_file *file);

#endif
