/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * version.h - which Reelwright this is.
 */
#ifndef REELWRIGHT_VERSION_H
#define REELWRIGHT_VERSION_H

#include <reelwright/error.h>

#ifdef __cplusplus
extern "C" {
#endif

/* "0.1.0"; static. */
RW_API const char *rw_version(void);

#ifdef __cplusplus
}
#endif
#endif
