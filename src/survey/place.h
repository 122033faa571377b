/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * place.h - where stills that were shot again belong on the film.
 *
 * The spine is the film as it was shot first: positions 0..count-1 in order of capture. Between two
 * of its good positions lie slots: frames that no still shows, and stills too bad to keep. Stills
 * that came in later
 * ("late" ones) are given to slots by what the grain said of each: which position it shows, which
 * it follows and which follows it on the film, and whether it follows the late still before it. A
 * run of late stills that hangs together and reaches from one good position to the next also says
 * how many frames lie between them, whatever the clock made of the gap. A good position is never
 * given another still.
 *
 * Pure functions of their arguments; no pictures here.
 */
#ifndef RW_SURVEY_PLACE_H
#define RW_SURVEY_PLACE_H

#include <reelwright/types.h>

#define RW_NOWHERE ((size_t)-1)

/* What became of a late still; stored as a number, so never renumber. */
typedef enum rw_late_role {
    RW_LATE_FILLS = 1,    /* shows a frame that no still showed */
    RW_LATE_REPLACES = 2, /* stands where a bad still stood */
    RW_LATE_SPARE = 3,    /* shows a frame that has a good still already */
    RW_LATE_UNPLACED = 4  /* nobody knows */
} rw_late_role;

/* Plain data, stored as a blob. */
typedef struct rw_late {
    int64_t still;
    size_t at;     /* position whose frame it shows, RW_NOWHERE unknown */
    size_t after;  /* position whose next frame it shows */
    size_t before; /* position whose frame follows it on the film */
    bool follows;  /* shows the frame after the one of the late still before it in the row */
    bool repeats;  /* shows the same frame as the late still before it */
    bool ahead;    /* looks more like the position after its gap than like the one before */
    bool bad;      /* unfit itself */
} rw_late;

/* A slot before position `before`, in the order of the film. */
typedef struct rw_slot {
    size_t before; /* good position that ends the segment, or the spine's count */
    size_t bad;    /* position that it takes the place of; RW_NOWHERE: a frame without a still */
    int64_t still; /* late still that fills it, 0 none */
    bool ahead;
} rw_slot;

typedef struct rw_spine {
    size_t count;
    const bool *bad;    /* wants a new still */
    const bool *repeat; /* shows the same frame as the position before */
    const size_t *gap;  /* frames missing before each position, as far as is known */
    const bool *doubt;  /* perhaps some are missing before it */
    bool heard;         /* stills show strips of their neighbours: following can be seen */
    const bool *clear;  /* ... so well round each position that where none is seen, none is */
} rw_spine;

/* The slots of a spine, all empty. GArray of rw_slot in the order of the film. */
GArray *rw_slots_new(const rw_spine *spine);
/* Gives late stills (one card's, in the order of capture) to slots that are empty still, and may
 * put slots in or take empty ones out where the stills prove it. role[i] is what became of late[i].
 */
void rw_slots_fill(GArray *slots, const rw_spine *spine, const rw_late *late, size_t count,
                   rw_late_role *role);

#endif
