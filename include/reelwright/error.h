/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * error.h - one error style for the whole of Reelwright.
 *
 * Calling sequence:
 *     g_autoptr(GError) error = NULL;
 *     if (!rw_thing_do(thing, &error))
 *         g_printerr("%s\n", error->message);
 *
 * A function that can fail returns bool or a pointer and takes a GError ** as its last argument:
 * false or NULL with the error set, or true or non-NULL with the error untouched. The message is a
 * whole sentence that names the file or frame, says what is wrong and, where one exists, what to
 * do. Only the command line prints. A programmer's mistake asserts. A fault of one still is not an
 * error of the run: it becomes a finding.
 */
#ifndef REELWRIGHT_ERROR_H
#define REELWRIGHT_ERROR_H

#include <stdbool.h>

#include <glib.h>

#ifdef __cplusplus
extern "C" {
#endif

#if defined(__GNUC__)
#define RW_API __attribute__((visibility("default")))
#else
#define RW_API
#endif

#define RW_ERROR (rw_error_quark())

typedef enum rw_error_code {
    RW_ERROR_FAILED,    /* anything else */
    RW_ERROR_USAGE,     /* the caller's words are off: the command exits with 2 */
    RW_ERROR_IO,        /* a file or folder cannot be read or written */
    RW_ERROR_NO_SPACE,  /* the disk is full, or would be */
    RW_ERROR_DAMAGED,   /* a file is not what its name says, or is cut short */
    RW_ERROR_NOT_FOUND, /* no such still, frame, reel, gauge ... */
    RW_ERROR_MEMORY,    /* the byte budget does not allow it */
    RW_ERROR_CANCELLED, /* asked to stop; what was done so far is kept */
    RW_ERROR_CONFLICT   /* somebody else works on this reel, or it holds something else */
} rw_error_code;

RW_API GQuark rw_error_quark(void);

/* Sets *error from errno_value with RW_ERROR_NO_SPACE for ENOSPC/EDQUOT, else RW_ERROR_IO. The
 * message is "<sentence from format>: <text of errno>." */
RW_API void rw_error_from_errno(GError **error, int errno_value, const char *format, ...)
    G_GNUC_PRINTF(3, 4);

#ifdef __cplusplus
}
#endif
#endif
