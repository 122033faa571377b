/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "survey/json_text.h"

void rw_json_string(GString *out, const char *text)
{
    if (!text) {
        g_string_append(out, "null");
        return;
    }
    g_autofree char *valid = g_utf8_make_valid(text, -1);
    g_string_append_c(out, '"');
    for (const char *p = valid; *p; p++) {
        unsigned char c = (unsigned char)*p;
        if (c == '"' || c == '\\')
            g_string_append_printf(out, "\\%c", c);
        else if (c < 0x20 || c == 0x7f)
            g_string_append_printf(out, "\\u%04x", c);
        else
            g_string_append_c(out, *p);
    }
    g_string_append_c(out, '"');
}

void rw_json_number(GString *out, double value, int digits)
{
    char text[G_ASCII_DTOSTR_BUF_SIZE], format[16];
    if (!isfinite(value)) {
        g_string_append(out, "null");
        return;
    }
    g_snprintf(format, sizeof format, "%%.%dg", digits);
    g_string_append(out, g_ascii_formatd(text, sizeof text, format, value == 0 ? 0 : value));
}
