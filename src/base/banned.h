/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * banned.h - calls that this project does not make; included into every C file by the build.
 * Use g_strlcpy, g_snprintf, g_ascii_strto*, localtime_r/gmtime_r instead.
 */
#ifndef RW_BASE_BANNED_H
#define RW_BASE_BANNED_H
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#pragma GCC poison strcpy strcat strncpy strncat sprintf vsprintf gets atoi atol atof gmtime
#pragma GCC poison localtime ctime asctime strtok
#endif
