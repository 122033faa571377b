/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * vidstab.h - FFmpeg's vidstabdetect and vidstabtransform on given frames, for comparison.
 *
 *     vidstab_detect(frames, n, w, h, 10, false, "a.trf", &error);
 *     vidstab_shifts("a.trf", n, w, h, 15, true, false, dx, dy, &error);
 *
 * What the second pass does to a frame is read off a chart: it is sent through vidstabtransform in
 * place of the frames, and its middle dot tells how far the middle of the picture was moved.
 */
#ifndef RW_QUALITY_VIDSTAB_H
#define RW_QUALITY_VIDSTAB_H

#include <reelwright/types.h>

/* Writes the luma of frame i, w * h bytes. */
typedef void (*vidstab_frame)(int i, uint8_t *luma, void *user);

bool vidstab_there(void);
bool vidstab_detect(vidstab_frame frame, void *user, int n, int w, int h, int shakiness,
                    bool tripod, const char *trf, GError **error);
/* gauss: optalgo, else avg. dx, dy: px by which the middle of frame i was moved. */
bool vidstab_shifts(const char *trf, int n, int w, int h, int smoothing, bool gauss, bool tripod,
                    double *dx, double *dy, GError **error);

#endif
