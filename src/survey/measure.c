/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "survey/measure.h"

#define STILL RW_MEASURE_STILL
#define PAIR  RW_MEASURE_PAIR

static const rw_measure_info table[] = {
    [RW_M_STATE] = {"state", "State", "code", 1, STILL, false,
                    "0 a whole picture; 1 cut short; 2 of another size; 3 no picture."},
    [RW_M_CLEAR] = {"clear", "Clear light", "1", 1, STILL, true,
                    "Median linear light inside the perforation, 1 is the camera's full scale: "
                    "what the lamp gives, whatever the film shows."},
    [RW_M_CLEAR_CLIPPED] = {"clear.clipped", "Clear light clipped", "1", 1, STILL, false,
                            "Share of the perforation with a channel at the ceiling."},
    [RW_M_EXPOSURE] = {"exposure", "Exposure", "1", 1, STILL, true,
                       "Mean linear light of the picture, 1 is full scale."},
    [RW_M_BLACK] = {"black", "Black level", "1", 1, STILL, true,
                    "Median linear light of the unexposed strip between perforations: stray light "
                    "and the camera's own black."},
    [RW_M_CLIPPED] = {"clipped", "Clipped picture", "1", 1, STILL, true,
                      "Share of the picture with a channel at the ceiling."},
    [RW_M_SHARPNESS] =
        {"sharpness", "Sharpness", "1", 1, STILL, true,
         "Amplitude of fine film grain against coarse grain in the flattest parts of "
         "the picture, camera noise taken off; falls when focus goes, does not follow "
         "what was filmed."},
    [RW_M_GRAIN_RATIO] = {"grain.ratio", "Fine to coarse grain", "ln power", 1, STILL, false,
                          "Logarithm of the power of fine against coarse grain."},
    [RW_M_GRAIN_FINE] = {"grain.fine", "Fine grain", "ln power", 1, STILL, false,
                         "Logarithm of the power of fine grain, coded levels squared."},
    [RW_M_GRAIN_AMOUNT] = {"grain.amount", "Grain", "coded", 1, STILL, false,
                           "Standard deviation of the coarse grain in coded levels of 255."},
    [RW_M_GRAIN_LEVEL] = {"grain.level", "Level of the grain's patches", "coded", 1, STILL, false,
                          "Median coded level of the patches in which grain was read."},
    [RW_M_GRAIN_ALONG] = {"grain.along", "Grain along the film", "ln power", 1, STILL, false,
                          "Logarithm of fine grain along against across the film; film that moved "
                          "during the exposure makes it negative."},
    [RW_M_EDGE_ACROSS] = {"edge.across", "Edge width across", "px", 1, STILL, true,
                          "10-90 % width of the perforation's edges met when moving across the "
                          "film, pixels of the still as stored."},
    [RW_M_EDGE_ALONG] = {"edge.along", "Edge width along", "px", 1, STILL, true,
                         "The same, met when moving along the film."},
    [RW_M_DARK] = {"tones.dark", "Dark tones", "1", 1, STILL, true,
                   "Coded luma, of full scale, below which 2 % of the picture lie."},
    [RW_M_BRIGHT] = {"tones.bright", "Bright tones", "1", 1, STILL, true,
                     "Coded luma, of full scale, above which 2 % of the picture lie."},
    [RW_M_CHROMA] =
        {"chroma", "Chroma", "1", 1, STILL, true,
         "Mean distance from grey in the BT.709 colour differences; of faded film the cast, "
         "too."},
    [RW_M_FALLOFF] = {"falloff", "Light lost in the corners", "stops", 1, STILL, false,
                      "By the slope of the clear light inside the perforations; one still tells it "
                      "badly, the reel's median well."},
    [RW_M_SAME] = {"grain.same", "Same grain", "1", 1, PAIR, false,
                   "Likeness of this still's grain to the last still's in the same places: near 1 "
                   "when both show one film frame."},
    [RW_M_SAME_WEAKEST] = {"grain.same.weakest", "Same grain, weakest place", "1", 1, PAIR, false,
                           "The same in the weakest place but one."},
    [RW_M_FAR] = {"grain.far", "Next frame on the far side", "1", 1, PAIR, false,
                  "Likeness of the strip beyond the far frame line of the last still to the same "
                  "piece of film on this one."},
    [RW_M_FAR_BESIDE] = {"grain.far.beside", "Same place on the far side", "1", 1, PAIR, false,
                         "Likeness of the last still's own picture to this one in that place."},
    [RW_M_FAR_X] = {"grain.far.x", "Place of the far strip, across", "px", 1, PAIR, false,
                    "Where that piece of film was found on this still, from where the pitch "
                    "promises it, decoded pixels."},
    [RW_M_FAR_Y] = {"grain.far.y", "Place of the far strip, along", "px", 1, PAIR, false,
                    "The same, along the film."},
    [RW_M_NEAR] = {"grain.near", "Next frame on the near side", "1", 1, PAIR, false,
                   "As grain.far, beyond the near frame line."},
    [RW_M_NEAR_BESIDE] = {"grain.near.beside", "Same place on the near side", "1", 1, PAIR, false,
                          "As grain.far.beside, on the near side."},
    [RW_M_NEAR_X] = {"grain.near.x", "Place of the near strip, across", "px", 1, PAIR, false,
                     "As grain.far.x, on the near side."},
    [RW_M_NEAR_Y] = {"grain.near.y", "Place of the near strip, along", "px", 1, PAIR, false,
                     "As grain.far.y, on the near side."},
    [RW_M_MOTION_X] =
        {"motion.x", "Motion across", "mm", 1, PAIR, false,
         "Median motion of the picture's parts across the film since the last still."},
    [RW_M_MOTION_Y] = {"motion.y", "Motion along", "mm", 1, PAIR, false,
                       "Median motion of the picture's parts along the film since the last still."},
    [RW_M_MOTION] = {"motion", "Motion", "mm", 1, PAIR, true,
                     "Mean length of the motion of the picture's parts since the last still."},
    [RW_M_DIFFERENCE] = {"difference", "Difference", "1", 1, PAIR, true,
                         "Mean difference of this picture to the last, share of the mean level, "
                         "gain taken out."},
    [RW_M_RESIDUAL] =
        {"residual", "Difference after motion", "1", 1, PAIR, false,
         "What is left of the difference when every part is moved to its best place."},
    [RW_M_TONES] = {"tones", "Change of tones", "1", 1, PAIR, false,
                    "Distance of the two pictures' distributions of tones, 0 alike .. 1."},
    [RW_N_MEASURES] = {NULL, NULL, NULL, 0, STILL, false, NULL},
};

const rw_measure_info *rw_measure_table(void)
{
    return table;
}

void rw_readings_clear(rw_readings *readings)
{
    for (int i = 0; i < RW_N_MEASURES; i++)
        readings->v[i] = NAN;
}
