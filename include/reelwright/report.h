/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * report.h - what is to be known of a reel, on paper: one HTML file without outside parts, or PDF.
 *
 *     rw_report_write(reel, "out/report.html", &error);
 *
 * The file's ending chooses the kind. The file appears whole or not at all. A reel that was taken
 * in but not surveyed gets a report that says so.
 */
#ifndef REELWRIGHT_REPORT_H
#define REELWRIGHT_REPORT_H

#include <reelwright/reel.h>

#ifdef __cplusplus
extern "C" {
#endif

RW_API bool rw_report_write(rw_reel *reel, const char *path, GError **error);

#ifdef __cplusplus
}
#endif
#endif
