/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include <libexif/exif-data.h>

#include "still/formats.h"

void rw_clean_text(char *to, size_t room, const void *text, size_t bytes)
{
    g_autofree char *valid = g_utf8_make_valid(text, (gssize)strnlen(text, bytes));
    GString *clean = g_string_new(NULL);
    for (const char *p = valid; *p; p = g_utf8_next_char(p)) {
        gunichar c = g_utf8_get_char(p);
        if (!g_unichar_iscntrl(c) && c != 0xFFFD)
            g_string_append_unichar(clean, c);
    }
    g_strstrip(clean->str);
    const char *end = clean->str;
    while (*end && (size_t)(g_utf8_next_char(end) - clean->str) < room)
        end = g_utf8_next_char(end);
    memcpy(to, clean->str, (size_t)(end - clean->str));
    to[end - clean->str] = '\0';
    g_string_free(clean, TRUE);
}

/* n digits at text as a number, or -1. */
static int digits(const char *text, int n)
{
    int value = 0;
    for (int i = 0; i < n; i++) {
        if (!g_ascii_isdigit(text[i]))
            return -1;
        value = value * 10 + (text[i] - '0');
    }
    return value;
}

/* Microseconds of a decimal fraction written without its point: "5" is half a second. */
static bool parse_subsec(const char *text, int64_t *us)
{
    int64_t value = 0;
    int n = 0;
    while (g_ascii_isdigit(text[n]) && n < 6)
        value = value * 10 + (text[n++] - '0');
    if (n == 0)
        return false;
    for (int i = n; i < 6; i++)
        value *= 10;
    *us = value;
    return true;
}

bool rw_exif_time(const char *date, const char *subsec, rw_still_info *info)
{
    static const int starts[6] = {0, 5, 8, 11, 14, 17}, lengths[6] = {4, 2, 2, 2, 2, 2};
    if (strnlen(date, 19) < 19)
        return false;
    int field[6];
    for (int i = 0; i < 6; i++) {
        field[i] = digits(date + starts[i], lengths[i]);
        char want = i == 3 ? ' ' : ':';
        if (field[i] < 0 || (i > 0 && date[starts[i] - 1] != want))
            return false;
    }
    if (field[0] < 1 || field[5] > 59)
        return false;
    g_autoptr(GDateTime) time =
        g_date_time_new_utc(field[0], field[1], field[2], field[3], field[4], field[5]);
    if (!time)
        return false;
    int64_t fraction = 0;
    info->has_subsec = subsec && parse_subsec(subsec, &fraction);
    info->time_us = g_date_time_to_unix(time) * INT64_C(1000000) + fraction;
    info->has_time = true;
    return true;
}

G_GNUC_PRINTF(4, 0)
static void on_log(ExifLog *log, ExifLogCode code, const char *domain, const char *format,
                   va_list args, void *user)
{
    (void)log;
    (void)domain;
    rw_still_info *info = user;
    if (code != EXIF_LOG_CODE_CORRUPT_DATA || info->exif_fault[0])
        return;
    char text[sizeof info->exif_fault];
    g_vsnprintf(text, sizeof text, format, args);
    rw_clean_text(info->exif_fault, sizeof info->exif_fault, text, sizeof text);
}

static ExifEntry *find(ExifData *data, ExifIfd ifd, ExifTag tag)
{
    return exif_content_get_entry(data->ifd[ifd], tag);
}

static bool get_text(ExifData *data, ExifIfd ifd, ExifTag tag, char *to, size_t room)
{
    ExifEntry *e = find(data, ifd, tag);
    if (!e || e->format != EXIF_FORMAT_ASCII || !e->data)
        return false;
    rw_clean_text(to, room, e->data, e->size);
    return true;
}

static int get_int(ExifData *data, ExifIfd ifd, ExifTag tag)
{
    ExifEntry *e = find(data, ifd, tag);
    ExifByteOrder order = exif_data_get_byte_order(data);
    if (e && e->data && e->components > 0 && e->format == EXIF_FORMAT_SHORT && e->size >= 2)
        return exif_get_short(e->data, order);
    if (e && e->data && e->components > 0 && e->format == EXIF_FORMAT_LONG && e->size >= 4)
        return (int)MIN(exif_get_long(e->data, order), (uint32_t)G_MAXINT);
    return 0;
}

static double get_ratio(ExifData *data, ExifIfd ifd, ExifTag tag)
{
    ExifEntry *e = find(data, ifd, tag);
    if (!e || !e->data || e->format != EXIF_FORMAT_RATIONAL || e->size < 8)
        return 0;
    ExifRational r = exif_get_rational(e->data, exif_data_get_byte_order(data));
    return r.denominator ? (double)r.numerator / (double)r.denominator : 0;
}

static void read_time(ExifData *data, rw_still_info *info)
{
    char date[64], subsec[64];
    if (!get_text(data, EXIF_IFD_EXIF, EXIF_TAG_DATE_TIME_ORIGINAL, date, sizeof date))
        return;
    bool fraction =
        get_text(data, EXIF_IFD_EXIF, EXIF_TAG_SUB_SEC_TIME_ORIGINAL, subsec, sizeof subsec);
    if (!rw_exif_time(date, fraction ? subsec : NULL, info) && !info->exif_fault[0])
        g_snprintf(info->exif_fault, sizeof info->exif_fault, "DateTimeOriginal is not a time");
}

void rw_exif_read(const uint8_t *block, size_t bytes, rw_still_info *info)
{
    ExifData *data = exif_data_new();
    ExifLog *log = exif_log_new();
    if (data && log && bytes <= UINT32_MAX) {
        exif_log_set_func(log, on_log, info);
        exif_data_log(data, log);
        /* "following the specification" would invent tags, today's time among them */
        exif_data_unset_option(data, EXIF_DATA_OPTION_FOLLOW_SPECIFICATION);
        exif_data_set_option(data, EXIF_DATA_OPTION_DONT_CHANGE_MAKER_NOTE);
        exif_data_load_data(data, block, (unsigned)bytes);
        int turn = get_int(data, EXIF_IFD_0, EXIF_TAG_ORIENTATION);
        info->orientation = turn >= 1 && turn <= 8 ? turn : 0;
        get_text(data, EXIF_IFD_0, EXIF_TAG_MAKE, info->make, sizeof info->make);
        get_text(data, EXIF_IFD_0, EXIF_TAG_MODEL, info->model, sizeof info->model);
        get_text(data, EXIF_IFD_EXIF, EXIF_TAG_BODY_SERIAL_NUMBER, info->serial,
                 sizeof info->serial);
        info->exposure_s = get_ratio(data, EXIF_IFD_EXIF, EXIF_TAG_EXPOSURE_TIME);
        info->f_number = get_ratio(data, EXIF_IFD_EXIF, EXIF_TAG_FNUMBER);
        info->focal_mm = get_ratio(data, EXIF_IFD_EXIF, EXIF_TAG_FOCAL_LENGTH);
        info->iso = get_int(data, EXIF_IFD_EXIF, EXIF_TAG_ISO_SPEED_RATINGS);
        read_time(data, info);
    }
    if (log)
        exif_log_unref(log);
    if (data)
        exif_data_unref(data);
}

char *rw_still_format_time(int64_t time_us)
{
    int64_t seconds = time_us / 1000000, us = time_us % 1000000;
    if (us < 0) {
        us += 1000000;
        seconds--;
    }
    g_autoptr(GDateTime) time = g_date_time_new_from_unix_utc(seconds);
    if (!time)
        return g_strdup("");
    /* the last three digits appear only when they say something */
    g_autofree char *date = g_date_time_format(time, "%Y-%m-%dT%H:%M:%S");
    if (us % 1000)
        return g_strdup_printf("%s.%06d", date, (int)us);
    return g_strdup_printf("%s.%03d", date, (int)(us / 1000));
}
