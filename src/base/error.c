/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>
#include <stdarg.h>
#include <string.h>

#include <reelwright/error.h>

GQuark rw_error_quark(void)
{
    return g_quark_from_static_string("reelwright-error-quark");
}

void rw_error_from_errno(GError **error, int errno_value, const char *format, ...)
{
    if (!error)
        return;
    va_list args;
    va_start(args, format);
    g_autofree char *sentence = g_strdup_vprintf(format, args);
    va_end(args);
    bool full = errno_value == ENOSPC || errno_value == EDQUOT;
    g_set_error(error, RW_ERROR, full ? RW_ERROR_NO_SPACE : RW_ERROR_IO, "%s: %s%s", sentence,
                g_strerror(errno_value),
                full ? " (make room on that disk and run the same command again)." : ".");
}
