/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * continuity.h - does the strip of the next picture on one still belong to the next still?
 *
 * Of every two stills taken one after the other it was measured where the strip is found, against
 * where strips usually are, and how unlike it is. Three things may have happened: it is the next
 * picture's and was found; it is, but was lost in the dark or in blur; or a frame lies between.
 * Each puts the strip somewhere with its own likelihood, and the ratio of those likelihoods is the
 * film's word.
 *
 * A still that is blurred or torn is placed badly: its strip is off one way, and it is off itself
 * the other way on the next. So such stills are judged together with those round them, as a chain
 * from one well-placed still to another, and what is unknown of their place is summed over.
 *
 * Pure functions of numbers.
 */
#ifndef RW_SURVEY_CONTINUITY_H
#define RW_SURVEY_CONTINUITY_H

#include <stdbool.h>
#include <stddef.h>

/* What was seen between one still and the next. Lengths in decoded pixels. */
typedef struct rw_join {
    double x, y;       /* of the strip from where strips usually are, across and along the film; NAN
                        * when none was seen: the film says nothing */
    double unlikeness; /* of the strip in units of what the scene alone leaves: about 1 for another
                        * picture's; NAN unknown */
    double usual;      /* unlikeness of strips that are found, round here; NAN unknown */
    double spread;     /* its standard deviation */
    double lost;       /* share of strips that are not found although nothing is missing, 0..1 */
    double vague;      /* share of strips found elsewhere along the film: they have too few rows */
    double wander; /* rms of the picture's own motion on one axis: where another frame's strip of
                    * the same scene may be found */
    bool blurred;  /* one of the two stills is */
    bool loose;    /* the second still's place is not to be trusted */
    double odds;   /* ln of the odds of a gap here from all but the film */
} rw_join;

enum { RW_LONGEST_CHAIN = 5 };

/* Probability of a gap at each of the joins of one chain, of which all but the last are loose.
 * noise: standard deviation of x and of y of a strip that is found between two well-placed stills.
 * first_is_loose: the place of the still before the first join is not to be trusted either. */
void rw_chain_weigh(const rw_join *chain, size_t count, bool first_is_loose, double noise,
                    double probability[]);

#endif
