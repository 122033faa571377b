/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Camera files: what they say of themselves and their pixels. Files are made with the libraries'
 * own writers; Exif also byte by byte after CIPA DC-008 / JEITA CP-3451 (tag numbers from memory).
 */
#include <math.h>
#include <string.h>
#include <unistd.h>

#include <png.h>
#include <tiffio.h>

#include <glib/gstdio.h>

#include <reelwright/still.h>

#include "stills.h"

typedef struct fixture {
    char *folder, *path;
    rw_decoder *decoder;
    GError *error;
} fixture;

static void set_up(fixture *f, gconstpointer data)
{
    (void)data;
    f->folder = g_dir_make_tmp("still-XXXXXX", NULL);
    f->path = g_build_filename(f->folder, "still", NULL);
    f->decoder = rw_decoder_new();
    f->error = NULL;
}

static void tear_down(fixture *f, gconstpointer data)
{
    (void)data;
    rw_decoder_free(&f->decoder);
    g_assert_null(f->decoder);
    g_clear_error(&f->error);
    g_unlink(f->path);
    g_rmdir(f->folder);
    g_free(f->path);
    g_free(f->folder);
}

static void put(fixture *f, const void *data, size_t bytes)
{
    /* written over and never synced: thousands are */
    FILE *out = g_fopen(f->path, "r+b");
    if (!out)
        out = g_fopen(f->path, "wb");
    g_assert_nonnull(out);
    g_assert_cmpuint(fwrite(data, 1, bytes, out), ==, bytes);
    g_assert_cmpint(fflush(out), ==, 0);
    g_assert_cmpint(ftruncate(fileno(out), (off_t)bytes), ==, 0);
    fclose(out);
}

static void put_jpeg(fixture *f, const made_still *m)
{
    unsigned long bytes;
    unsigned char *data = made_jpeg(m, &bytes);
    put(f, data, bytes);
    free(data);
}

static rw_still_info probe(fixture *f)
{
    rw_still_info info;
    rw_still_probe(f->path, &info, &f->error);
    g_assert_no_error(f->error);
    return info;
}

static rw_pixels decode(fixture *f, int eighths)
{
    rw_pixels pixels;
    rw_decoder_decode(f->decoder, f->path, eighths, &pixels, &f->error);
    g_assert_no_error(f->error);
    return pixels;
}

static void refused(fixture *f, const char *word)
{
    rw_still_info info;
    rw_pixels pixels;
    g_assert_false(rw_still_probe(f->path, &info, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_DAMAGED);
    g_assert_nonnull(strstr(f->error->message, word));
    g_assert_null(strchr(f->error->message, '\n'));
    g_clear_error(&f->error);
    g_assert_false(rw_decoder_decode(f->decoder, f->path, 8, &pixels, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_DAMAGED);
    g_assert_nonnull(strstr(f->error->message, word));
    g_clear_error(&f->error);
}

static bool is_whole(fixture *f)
{
    char fault[160];
    bool ok = rw_still_check(f->path, fault, &f->error);
    bool whole = ok && !fault[0];
    g_assert_true(ok == !f->error);
    g_clear_error(&f->error);
    return whole;
}

static unsigned sample(const rw_pixels *p, int x, int y, int c)
{
    const uint8_t *row = (const uint8_t *)p->data + y * p->stride;
    size_t at = (size_t)(x * p->channels + c);
    if (p->bits == 8)
        return row[at];
    uint16_t value;
    memcpy(&value, row + at * 2, 2);
    return value;
}

static char *digest(const rw_pixels *p)
{
    g_autoptr(GChecksum) sum = g_checksum_new(G_CHECKSUM_SHA256);
    for (int y = 0; y < p->height; y++)
        g_checksum_update(sum, (const uint8_t *)p->data + y * p->stride,
                          p->width * p->channels * p->bits / 8);
    return g_strdup(g_checksum_get_string(sum));
}

/* ---- Exif ---- */

static void test_exif(fixture *f, gconstpointer data)
{
    (void)data;
    made_still m = {.width = 48,
                    .height = 32,
                    .components = 3,
                    .time = "2026:03:14 09:30:03",
                    .subsec = "344",
                    .make = " Work\tshop ",
                    .model = "Box 1",
                    .serial = "0031337",
                    .orientation = 6};
    put_jpeg(f, &m);
    rw_still_info info = probe(f);
    g_assert_cmpint(info.format, ==, RW_STILL_JPEG);
    g_assert_cmpint(info.width, ==, 48);
    g_assert_cmpint(info.height, ==, 32);
    g_assert_cmpint(info.channels, ==, 3);
    g_assert_cmpint(info.bits, ==, 8);
    g_assert_cmpint(info.orientation, ==, 6);
    g_assert_true(info.has_time && info.has_subsec);
    g_autofree char *time = rw_still_format_time(info.time_us);
    g_assert_cmpstr(time, ==, "2026-03-14T09:30:03.344");
    g_assert_cmpstr(info.make, ==, "Workshop"); /* control characters and edges removed */
    g_assert_cmpstr(info.model, ==, "Box 1");
    g_assert_cmpstr(info.serial, ==, "0031337");
    g_assert_cmpfloat(info.exposure_s, ==, 1.0 / 125);
    g_assert_cmpfloat(info.f_number, ==, 5.6);
    g_assert_cmpfloat(info.focal_mm, ==, 50);
    g_assert_cmpint(info.iso, ==, 200);
    g_assert_cmpstr(info.exif_fault, ==, "");
    g_assert_false(info.has_profile);

    made_still bare = {.width = 48, .height = 32, .components = 1};
    put_jpeg(f, &bare);
    info = probe(f);
    g_assert_false(info.has_time);
    g_assert_cmpint(info.channels, ==, 1);
    g_assert_cmpint(info.orientation, ==, 0);
    g_assert_cmpstr(info.serial, ==, "");
}

/* A JPEG whose APP1 is `block`, put in after SOI. */
static void put_with_app1(fixture *f, const uint8_t *block, size_t bytes)
{
    made_still m = {.width = 16, .height = 16, .components = 1};
    unsigned long n;
    unsigned char *jpeg = made_jpeg(&m, &n);
    g_autoptr(GByteArray) out = g_byte_array_new();
    uint8_t head[4] = {0xFF, 0xE1, (uint8_t)((bytes + 2) >> 8), (uint8_t)(bytes + 2)};
    g_byte_array_append(out, jpeg, 2);
    g_byte_array_append(out, head, sizeof head);
    g_byte_array_append(out, block, (guint)bytes);
    g_byte_array_append(out, jpeg + 2, (guint)(n - 2));
    put(f, out->data, out->len);
    free(jpeg);
}

/* Big-endian, byte by byte: IFD0 with Orientation 3 and the pointer to an Exif IFD with
 * DateTimeOriginal (0x9003), SubSecTimeOriginal (0x9291), FNumber (0x829D) 28/10. */
static const uint8_t by_hand[] = {
    'E',  'x',  'i', 'f', 0,   0,   'M', 'M', 0,   42,  0,   0,   0,   8,   0,   2, /* 8: IFD0, two
                                                                                       entries */
    0x01, 0x12, 0,   3,   0,   0,   0,   1,   0,   3,   0,   0,  /* Orientation SHORT 3 */
    0x87, 0x69, 0,   4,   0,   0,   0,   1,   0,   0,   0,   38, /* Exif IFD at 38 */
    0,    0,    0,   0,                                          /* 34: no next IFD */
    0,    3,                                                     /* 38: three entries */
    0x82, 0x9D, 0,   5,   0,   0,   0,   1,   0,   0,   0,   80, /* FNumber RATIONAL at 80 */
    0x90, 0x03, 0,   2,   0,   0,   0,   20,  0,   0,   0,   88, /* DateTimeOriginal ASCII 20 at 88
                                                                  */
    0x92, 0x91, 0,   2,   0,   0,   0,   3,   '0', '5', 0,   0,  /* SubSecTimeOriginal "05" */
    0,    0,    0,   0,                                          /* 76: end */
    0,    0,    0,   28,  0,   0,   0,   10,                     /* 80 */
    '1',  '9',  '7', '1', ':', '1', '2', ':', '3', '1', ' ', '2', '3', ':', '5', '9', ':',
    '5',  '9',  0,
};

static void test_exif_by_hand(fixture *f, gconstpointer data)
{
    (void)data;
    put_with_app1(f, by_hand, sizeof by_hand);
    rw_still_info info = probe(f);
    g_assert_cmpint(info.orientation, ==, 3);
    g_assert_cmpfloat(info.f_number, ==, 2.8);
    g_assert_true(info.has_time && info.has_subsec);
    g_autofree char *time = rw_still_format_time(info.time_us);
    g_assert_cmpstr(time, ==, "1971-12-31T23:59:59.050"); /* "05" is five hundredths */
    g_assert_true(is_whole(f));

    /* Cut or spoilt anywhere, the picture is still there; a time is the right one or none. */
    for (size_t n = 6; n < sizeof by_hand; n++) {
        put_with_app1(f, by_hand, n);
        rw_still_info cut = probe(f);
        g_assert_cmpint(cut.width, ==, 16);
        g_assert_true(!cut.has_time || cut.time_us / 1000000 == info.time_us / 1000000);
    }
    uint8_t spoilt[sizeof by_hand];
    memcpy(spoilt, by_hand, sizeof by_hand);
    spoilt[6 + 88 + 4] = '-';
    put_with_app1(f, spoilt, sizeof spoilt);
    info = probe(f);
    g_assert_false(info.has_time);
    g_assert_cmpstr(info.exif_fault, ==, "DateTimeOriginal is not a time");
    memcpy(spoilt, by_hand, sizeof by_hand);
    spoilt[6 + 8 + 2 + 9] = 9; /* Orientation 9 does not exist */
    put_with_app1(f, spoilt, sizeof spoilt);
    info = probe(f);
    g_assert_cmpint(info.orientation, ==, 0);
}

static void test_times(fixture *f, gconstpointer data)
{
    (void)data;
    static const struct {
        const char *date, *subsec, *want; /* NULL: no time */
        bool fraction;
    } rows[] = {
        {"2026:03:14 09:30:03", NULL, "2026-03-14T09:30:03.000", false},
        {"2026:03:14 09:30:03", "3", "2026-03-14T09:30:03.300", true},
        {"2026:03:14 09:30:03", "003 ", "2026-03-14T09:30:03.003", true},
        {"2026:03:14 09:30:03", "123456", "2026-03-14T09:30:03.123456", true},
        {"2026:03:14 09:30:03", "1234567", "2026-03-14T09:30:03.123456", true},
        {"2026:03:14 09:30:03", "   ", "2026-03-14T09:30:03.000", false},
        {"2024:02:29 23:59:59", NULL, "2024-02-29T23:59:59.000", false},
        {"1969:12:31 23:59:59", "5", "1969-12-31T23:59:59.500", true},
        {"2023:02:29 00:00:00", NULL, NULL, false},
        {"2026:13:01 00:00:00", NULL, NULL, false},
        {"2026:03:14 24:00:00", NULL, NULL, false},
        {"2026:03:14 09:60:00", NULL, NULL, false},
        {"0000:00:00 00:00:00", NULL, NULL, false}, /* a clock that was never set */
        {"    :  :     :  :  ", NULL, NULL, false}, /* unknown, by the Exif standard */
        {"2026-03-14 09:30:03", NULL, NULL, false},
        {"2026:03:14T09:30:03", NULL, NULL, false},
        {"2026:03:14", NULL, NULL, false},
        {"", NULL, NULL, false},
    };
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++) {
        made_still m = {.width = 16,
                        .height = 16,
                        .components = 1,
                        .time = rows[i].date,
                        .subsec = rows[i].subsec};
        put_jpeg(f, &m);
        rw_still_info info = probe(f);
        g_assert_cmpint(info.has_time, ==, rows[i].want != NULL);
        g_assert_cmpint(info.has_subsec, ==, rows[i].fraction);
        if (rows[i].want) {
            g_autofree char *time = rw_still_format_time(info.time_us);
            g_assert_cmpstr(time, ==, rows[i].want);
        }
    }
}

/* ---- JPEG ---- */

/* The made pattern is smooth, so a decoded sample is the pattern at the place that
 * rw_pixels_to_stored gives, at every scale. */
static void test_jpeg_scales(fixture *f, gconstpointer data)
{
    (void)data;
    made_still m = {.width = 203, .height = 133, .components = 3, .seed = 4, .quality = 97};
    put_jpeg(f, &m);
    double slope_x = (3 + m.seed % 5) * 170.0 / (6.0 * (m.width + m.height));
    double slope_y = (2 + m.seed % 3) * 170.0 / (6.0 * (m.width + m.height));
    double means[9] = {0};
    for (int e = 1; e <= 8; e++) {
        rw_pixels p = decode(f, e);
        g_assert_cmpint(p.eighths, ==, e);
        g_assert_cmpint(p.width, ==, (203 * e + 7) / 8);
        g_assert_cmpint(p.height, ==, (133 * e + 7) / 8);
        g_assert_cmpint(p.full_width, ==, 203);
        g_assert_cmpint(p.full_height, ==, 133);
        g_assert_cmpint(p.channels, ==, 3);
        g_assert_false(p.damaged);
        rw_affine a = rw_pixels_to_stored(e);
        double sum = 0, worst = 0;
        int n = 0;
        for (int y = 1; y < p.height - 2; y++)
            for (int x = 1; x < p.width - 2; x++) {
                rw_point at = rw_affine_apply(a, x, y);
                double want = 40 + at.x * slope_x + at.y * slope_y + m.seed * 7 % 23 - 0.5;
                double off = sample(&p, x, y, 0) - want;
                sum += off;
                worst = MAX(worst, fabs(off));
                n++;
            }
        g_assert_cmpfloat(worst, <, 3.0);
        means[e] = sum / n;
    }
    /* whole numbers in the pattern and in the colour transform shift all scales alike; a tenth of a
     * pixel in x and y would be 0.08 */
    for (int e = 1; e < 8; e++)
        g_assert_cmpfloat(fabs(means[e] - means[8]), <, 0.07);
}

static void test_jpeg_kinds(fixture *f, gconstpointer data)
{
    (void)data;
    made_still m = {.width = 80, .height = 56, .components = 3, .seed = 2};
    put_jpeg(f, &m);
    rw_pixels p = decode(f, 8);
    g_autofree char *baseline = digest(&p);
    p = decode(f, 8);
    g_autofree char *again = digest(&p);
    g_assert_cmpstr(again, ==, baseline);
    m.progressive = true; /* the same coefficients in another order: the same samples */
    put_jpeg(f, &m);
    g_assert_true(is_whole(f));
    p = decode(f, 8);
    g_autofree char *progressive = digest(&p);
    g_assert_cmpstr(progressive, ==, baseline);

    made_still grey = {.width = 9, .height = 5, .components = 1};
    put_jpeg(f, &grey);
    p = decode(f, 8);
    g_assert_cmpint(p.channels, ==, 1);
    g_assert_cmpint(p.width, ==, 9);

    made_still cmyk = {.width = 16, .height = 16, .components = 4};
    put_jpeg(f, &cmyk);
    refused(f, "CMYK");
}

static void test_jpeg_cut(fixture *f, gconstpointer data)
{
    (void)data;
    made_still m = {
        .width = 160, .height = 160, .components = 3, .quality = 95, .plain_chroma = true};
    unsigned long bytes;
    unsigned char *jpeg = made_jpeg(&m, &bytes);
    put(f, jpeg, bytes);
    g_assert_true(is_whole(f));
    rw_pixels p = decode(f, 8);
    unsigned top = sample(&p, 80, 5, 0);
    size_t header = 0; /* of SOS */
    while (jpeg[header] != 0xFF || jpeg[header + 1] != 0xDA)
        header++;

    put(f, jpeg, header + (bytes - header) / 2);
    g_assert_false(is_whole(f));
    p = decode(f, 8);
    g_assert_true(p.damaged);
    g_assert_cmpstr(p.fault, ==, "the file is cut short");
    g_assert_cmpuint(sample(&p, 80, 5, 0), ==, top);
    for (int c = 0; c < 3; c++) /* grey where nothing came */
        g_assert_cmpuint(sample(&p, 80, 155, c), ==, 128);
    g_autofree char *first = digest(&p);
    p = decode(f, 8);
    g_autofree char *second = digest(&p);
    g_assert_cmpstr(first, ==, second);

    /* No strict part of it is whole; it is read, or refused in one line. */
    for (size_t n = 0; n < bytes; n += n < header ? 1 : 37) {
        put(f, jpeg, n);
        g_assert_false(is_whole(f));
        if (rw_decoder_decode(f->decoder, f->path, 4, &p, &f->error)) {
            g_assert_true(p.damaged);
            g_assert_cmpuint(n, >, header);
        } else {
            g_assert_error(f->error, RW_ERROR, RW_ERROR_DAMAGED);
            g_clear_error(&f->error);
        }
    }
    /* what follows the end marker is no fault: cameras put previews there */
    g_autoptr(GByteArray) longer = g_byte_array_new();
    g_byte_array_append(longer, jpeg, (guint)bytes);
    g_byte_array_append(longer, jpeg, (guint)bytes / 2);
    put(f, longer->data, longer->len);
    g_assert_true(is_whole(f));
    p = decode(f, 8);
    g_assert_false(p.damaged);
    free(jpeg);
}

static void test_profile(fixture *f, gconstpointer data)
{
    (void)data;
    size_t bytes = 150000; /* three segments of APP2 */
    g_autofree uint8_t *profile = g_malloc(bytes);
    for (size_t i = 0; i < bytes; i++)
        profile[i] = (uint8_t)(i * 7 + i / 256);
    made_still m = {
        .width = 16, .height = 16, .components = 3, .profile = profile, .profile_bytes = bytes};
    put_jpeg(f, &m);
    g_assert_true(probe(f).has_profile);
    decode(f, 1);
    size_t got;
    const void *read = rw_decoder_profile(f->decoder, &got);
    g_assert_cmpuint(got, ==, bytes);
    g_assert_true(memcmp(read, profile, bytes) == 0);
    m.profile = NULL;
    put_jpeg(f, &m);
    decode(f, 1);
    g_assert_null(rw_decoder_profile(f->decoder, &got));
    g_assert_cmpuint(got, ==, 0);
}

/* A number that no compressor makes smaller. */
static uint32_t noise(int x, int y, int c)
{
    uint32_t v = (uint32_t)(x * 531 + y * 60013 + c * 7);
    v = (v ^ (v >> 16)) * 0x7FEB352Du;
    v = (v ^ (v >> 15)) * 0x846CA68Bu;
    return v ^ (v >> 16);
}

/* ---- PNG ---- */

typedef struct png_kind {
    int type, bits, interlace;
    int want_bits, want_channels;
} png_kind;

enum { PW = 97, PH = 61 };

static unsigned png_value(const png_kind *k, int x, int y, int c)
{
    return noise(x, y, c) >> (32 - k->bits);
}

static void put_png(fixture *f, const png_kind *k, const uint8_t *exif, unsigned exif_bytes)
{
    FILE *out = g_fopen(f->path, "wb");
    png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, NULL, NULL);
    png_infop info = png_create_info_struct(png);
    png_init_io(png, out);
    png_set_IHDR(png, info, PW, PH, k->bits, k->type, k->interlace, PNG_COMPRESSION_TYPE_DEFAULT,
                 PNG_FILTER_TYPE_DEFAULT);
    png_color palette[256];
    for (int i = 0; i < 256; i++)
        palette[i] = (png_color){(png_byte)i, (png_byte)(255 - i), (png_byte)(i * 3)};
    if (k->type == PNG_COLOR_TYPE_PALETTE)
        png_set_PLTE(png, info, palette, 1 << k->bits);
    uint8_t block[256];
    if (exif) {
        memcpy(block, exif, exif_bytes);
        png_set_eXIf_1(png, info, exif_bytes, block);
    }
    png_write_info(png, info);
    int channels = png_get_channels(png, info);
    png_bytep rows[PH];
    for (int y = 0; y < PH; y++) {
        rows[y] = g_malloc0(png_get_rowbytes(png, info));
        for (int i = 0; i < PW * channels; i++) {
            unsigned v = png_value(k, i / channels, y, i % channels);
            if (k->bits == 16) {
                rows[y][2 * i] = (png_byte)(v >> 8);
                rows[y][2 * i + 1] = (png_byte)v;
            } else {
                int per = 8 / k->bits;
                rows[y][i / per] |= (png_byte)(v << (8 - k->bits * (i % per + 1)));
            }
        }
    }
    png_write_image(png, rows);
    png_write_end(png, info);
    for (int y = 0; y < PH; y++)
        g_free(rows[y]);
    png_destroy_write_struct(&png, &info);
    fclose(out);
}

static unsigned png_wanted(const png_kind *k, int x, int y, int c)
{
    if (k->type == PNG_COLOR_TYPE_PALETTE) {
        unsigned i = png_value(k, x, y, 0);
        return c == 0 ? i : c == 1 ? 255 - i : (i * 3) & 255;
    }
    unsigned v = png_value(k, x, y, c);
    return k->bits >= 8 ? v : v * 255 / ((1u << k->bits) - 1);
}

static void test_png(fixture *f, gconstpointer data)
{
    (void)data;
    static const png_kind kinds[] = {
        {PNG_COLOR_TYPE_GRAY, 1, 0, 8, 1},       {PNG_COLOR_TYPE_GRAY, 4, 1, 8, 1},
        {PNG_COLOR_TYPE_GRAY, 8, 0, 8, 1},       {PNG_COLOR_TYPE_GRAY, 16, 1, 16, 1},
        {PNG_COLOR_TYPE_GRAY_ALPHA, 8, 0, 8, 1}, {PNG_COLOR_TYPE_GRAY_ALPHA, 16, 0, 16, 1},
        {PNG_COLOR_TYPE_RGB, 8, 0, 8, 3},        {PNG_COLOR_TYPE_RGB, 8, 1, 8, 3},
        {PNG_COLOR_TYPE_RGB, 16, 0, 16, 3},      {PNG_COLOR_TYPE_RGB, 16, 1, 16, 3},
        {PNG_COLOR_TYPE_RGB_ALPHA, 8, 0, 8, 3},  {PNG_COLOR_TYPE_RGB_ALPHA, 16, 0, 16, 3},
        {PNG_COLOR_TYPE_PALETTE, 2, 0, 8, 3},    {PNG_COLOR_TYPE_PALETTE, 8, 1, 8, 3},
    };
    for (size_t i = 0; i < G_N_ELEMENTS(kinds); i++) {
        const png_kind *k = &kinds[i];
        put_png(f, k, NULL, 0);
        rw_still_info info = probe(f);
        rw_pixels p = decode(f, 4); /* cannot scale: whole */
        g_assert_cmpint(info.format, ==, RW_STILL_PNG);
        g_assert_cmpint(info.bits, ==, k->want_bits);
        g_assert_cmpint(info.channels, ==, k->want_channels);
        g_assert_cmpint(p.bits, ==, k->want_bits);
        g_assert_cmpint(p.channels, ==, k->want_channels);
        g_assert_cmpint(p.eighths, ==, 8);
        g_assert_cmpint(p.width, ==, PW);
        g_assert_cmpint(p.height, ==, PH);
        g_assert_false(p.damaged);
        for (int y = 0; y < PH; y++)
            for (int x = 0; x < PW; x++)
                for (int c = 0; c < p.channels; c++)
                    g_assert_cmpuint(sample(&p, x, y, c), ==, png_wanted(k, x, y, c));
        g_assert_true(is_whole(f));
    }
}

static void test_png_damage(fixture *f, gconstpointer data)
{
    (void)data;
    static const png_kind k = {PNG_COLOR_TYPE_RGB, 16, 0, 16, 3};
    put_png(f, &k, by_hand + 6, sizeof by_hand - 6); /* eXIf is without the "Exif" in front */
    rw_still_info info = probe(f);
    g_assert_true(info.has_time);
    g_assert_cmpint(info.orientation, ==, 3);
    g_autofree char *png = NULL;
    gsize bytes;
    g_assert_true(g_file_get_contents(f->path, &png, &bytes, NULL));
    put(f, png, bytes * 3 / 5);
    g_assert_false(is_whole(f));
    rw_pixels p = decode(f, 8);
    g_assert_true(p.damaged);
    g_assert_cmpstr(p.fault, ==, "the file is cut short");
    g_assert_cmpuint(sample(&p, 3, 0, 1), ==, png_wanted(&k, 3, 0, 1));
    g_assert_cmpuint(sample(&p, PW - 1, PH - 1, 2), ==, 0x8080);
    for (size_t n = 0; n < bytes; n += 97) {
        put(f, png, n);
        g_assert_false(is_whole(f));
    }
    png[bytes / 2] = (char)(png[bytes / 2] ^ 0x10); /* one bit in the picture */
    put(f, png, bytes);
    g_assert_false(is_whole(f));
    p = decode(f, 8);
    g_assert_true(p.damaged);
}

/* ---- TIFF ---- */

typedef struct tiff_kind {
    int bits, samples, photometric;
    bool planar, tiled, big, swapped;
    int compression, channels;
} tiff_kind;

enum { TW = 45, TH = 37, TILE = 16 };

static unsigned tiff_value(const tiff_kind *k, int x, int y, int c)
{
    return noise(x, y, c) >> (32 - k->bits);
}

static void tiff_store(const tiff_kind *k, uint8_t *to, size_t at, unsigned v)
{
    if (k->bits == 8) {
        to[at] = (uint8_t)v;
    } else {
        uint16_t value = (uint16_t)v;
        memcpy(to + at * 2, &value, 2);
    }
}

/* w x h samples from (x0, y0) into block; what lies beyond the picture is 0. c < 0: all samples. */
static void tiff_block(const tiff_kind *k, uint8_t *block, int x0, int y0, int w, int h, int c)
{
    size_t at = 0;
    for (int y = y0; y < y0 + h; y++)
        for (int x = x0; x < x0 + w; x++)
            for (int s = MAX(c, 0); s < (c < 0 ? k->samples : c + 1); s++)
                tiff_store(k, block, at++, x < TW && y < TH ? tiff_value(k, x, y, s) : 0);
}

static void put_tiff(fixture *f, const tiff_kind *k)
{
    char mode[4] = "w";
    if (k->big)
        g_strlcat(mode, "8", sizeof mode);
    g_strlcat(mode, k->swapped == (G_BYTE_ORDER == G_LITTLE_ENDIAN) ? "b" : "l", sizeof mode);
    TIFF *t = TIFFOpen(f->path, mode);
    g_assert_nonnull(t);
    TIFFSetField(t, TIFFTAG_IMAGEWIDTH, TW);
    TIFFSetField(t, TIFFTAG_IMAGELENGTH, TH);
    TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, k->bits);
    TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, k->samples);
    TIFFSetField(t, TIFFTAG_PHOTOMETRIC, k->photometric);
    TIFFSetField(t, TIFFTAG_PLANARCONFIG, k->planar ? PLANARCONFIG_SEPARATE : PLANARCONFIG_CONTIG);
    TIFFSetField(t, TIFFTAG_COMPRESSION, k->compression);
    TIFFSetField(t, TIFFTAG_ORIENTATION, 8);
    uint16_t extra[1] = {EXTRASAMPLE_UNASSALPHA};
    if (k->samples > k->channels && k->photometric != PHOTOMETRIC_PALETTE)
        TIFFSetField(t, TIFFTAG_EXTRASAMPLES, 1, extra);
    uint16_t map[3][256];
    for (int i = 0; i < 256; i++) {
        map[0][i] = (uint16_t)(i * 257);
        map[1][i] = (uint16_t)((255 - i) * 257);
        map[2][i] = (uint16_t)((i * 3 & 255) * 257);
    }
    if (k->photometric == PHOTOMETRIC_PALETTE)
        TIFFSetField(t, TIFFTAG_COLORMAP, map[0], map[1], map[2]);
    uint8_t block[TW * TH * 8];
    int bytes = k->bits / 8, per = k->planar ? 1 : k->samples;
    for (int c = k->planar ? 0 : -1; c < (k->planar ? k->samples : 0); c++) {
        if (k->tiled) {
            TIFFSetField(t, TIFFTAG_TILEWIDTH, TILE);
            TIFFSetField(t, TIFFTAG_TILELENGTH, TILE);
            for (int y = 0; y < TH; y += TILE)
                for (int x = 0; x < TW; x += TILE) {
                    tiff_block(k, block, x, y, TILE, TILE, c);
                    uint32_t n =
                        TIFFComputeTile(t, (uint32_t)x, (uint32_t)y, 0, (uint16_t)MAX(c, 0));
                    g_assert_cmpint(TIFFWriteEncodedTile(t, n, block, TILE * TILE * per * bytes), >,
                                    0);
                }
        } else {
            TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, 10);
            for (int y = 0; y < TH; y += 10) {
                int rows = MIN(10, TH - y);
                tiff_block(k, block, 0, y, TW, rows, c);
                uint32_t n = TIFFComputeStrip(t, (uint32_t)y, (uint16_t)MAX(c, 0));
                g_assert_cmpint(TIFFWriteEncodedStrip(t, n, block, TW * rows * per * bytes), >, 0);
            }
        }
    }
    TIFFClose(t);
}

static unsigned tiff_wanted(const tiff_kind *k, int x, int y, int c)
{
    unsigned v = tiff_value(k, x, y, k->photometric == PHOTOMETRIC_PALETTE ? 0 : c);
    if (k->photometric == PHOTOMETRIC_PALETTE)
        return c == 0 ? v : c == 1 ? 255 - v : (v * 3) & 255;
    return k->photometric == PHOTOMETRIC_MINISWHITE ? ((1u << k->bits) - 1) - v : v;
}

static void assert_tiff(fixture *f, const tiff_kind *k)
{
    rw_still_info info = probe(f);
    g_assert_cmpint(info.format, ==, RW_STILL_TIFF);
    g_assert_cmpint(info.bits, ==, k->bits);
    g_assert_cmpint(info.channels, ==, k->channels);
    g_assert_cmpint(info.orientation, ==, 8);
    rw_pixels p = decode(f, 8);
    g_assert_cmpint(p.width, ==, TW);
    g_assert_cmpint(p.height, ==, TH);
    g_assert_cmpint(p.bits, ==, k->bits);
    g_assert_cmpint(p.channels, ==, k->channels);
    g_assert_false(p.damaged);
    for (int y = 0; y < TH; y++)
        for (int x = 0; x < TW; x++)
            for (int c = 0; c < p.channels; c++)
                g_assert_cmpuint(sample(&p, x, y, c), ==, tiff_wanted(k, x, y, c));
    g_assert_true(is_whole(f));
}

static void test_tiff(fixture *f, gconstpointer data)
{
    (void)data;
    static const int compressions[] = {COMPRESSION_NONE, COMPRESSION_LZW,
                                       COMPRESSION_ADOBE_DEFLATE};
    for (int i = 0; i < 2 * 3 * 16 * 3; i++) {
        int rest = i;
        tiff_kind k = {.bits = rest % 2 ? 16 : 8};
        rest /= 2;
        k.samples = rest % 3 == 0 ? 1 : rest % 3 == 1 ? 3 : 4;
        rest /= 3;
        k.planar = rest & 1;
        k.tiled = rest & 2;
        k.big = rest & 4;
        k.swapped = rest & 8;
        k.compression = compressions[rest / 16];
        k.channels = k.samples == 1 ? 1 : 3;
        k.photometric = k.samples == 1 ? PHOTOMETRIC_MINISBLACK : PHOTOMETRIC_RGB;
        put_tiff(f, &k);
        assert_tiff(f, &k);
    }
    static const tiff_kind odd[] = {
        {8, 1, PHOTOMETRIC_MINISWHITE, false, false, false, false, COMPRESSION_NONE, 1},
        {16, 1, PHOTOMETRIC_MINISWHITE, false, true, false, true, COMPRESSION_LZW, 1},
        {16, 2, PHOTOMETRIC_MINISBLACK, false, false, false, false, COMPRESSION_NONE, 1},
        {8, 1, PHOTOMETRIC_PALETTE, false, false, false, false, COMPRESSION_LZW, 3},
    };
    for (size_t i = 0; i < G_N_ELEMENTS(odd); i++) {
        put_tiff(f, &odd[i]);
        assert_tiff(f, &odd[i]);
    }
    static const tiff_kind no[] = {
        {8, 4, PHOTOMETRIC_SEPARATED, false, false, false, false, COMPRESSION_NONE, 4},
        {8, 3, PHOTOMETRIC_CIELAB, false, false, false, false, COMPRESSION_NONE, 3},
    };
    for (size_t i = 0; i < G_N_ELEMENTS(no); i++) {
        put_tiff(f, &no[i]);
        refused(f, "grey or RGB of 8 or 16 bits");
    }
}

static void test_tiff_cut(fixture *f, gconstpointer data)
{
    (void)data;
    tiff_kind k = {8, 3, PHOTOMETRIC_RGB, false, false, false, false, COMPRESSION_NONE, 3};
    put_tiff(f, &k);
    /* The writer puts the directory last. Move it to the front, as cameras do, by cutting a file in
     * which the last strip was pointed beyond the end instead. */
    g_autofree char *tiff = NULL;
    gsize bytes;
    g_assert_true(g_file_get_contents(f->path, &tiff, &bytes, NULL));
    TIFF *t = TIFFOpen(f->path, "r");
    uint64_t *offsets = NULL;
    TIFFGetField(t, TIFFTAG_STRIPOFFSETS, &offsets);
    uint32_t last = (uint32_t)offsets[TIFFNumberOfStrips(t) - 1], moved = (uint32_t)bytes - 100;
    TIFFClose(t);
    size_t at = bytes; /* where the directory says it */
    for (size_t i = 8; i + 4 <= bytes && at == bytes; i++)
        if (memcmp(tiff + i, &last, 4) == 0 && i > (size_t)last)
            at = i;
    g_assert_cmpuint(at, <, bytes);
    memcpy(tiff + at, &moved, 4);
    put(f, tiff, bytes);
    g_assert_false(is_whole(f));
    rw_pixels p = decode(f, 8);
    g_assert_true(p.damaged);
    g_assert_cmpuint(sample(&p, 3, 5, 1), ==, tiff_wanted(&k, 3, 5, 1));
    g_assert_cmpuint(sample(&p, TW - 1, TH - 1, 2), ==, 0x80);
}

/* ---- whatever comes ---- */

static void test_no_still(fixture *f, gconstpointer data)
{
    (void)data;
    put(f, "", 0);
    refused(f, "is empty");
    put(f, "hello", 5);
    refused(f, "is not a JPEG, PNG or TIFF");
    rw_still_info info;
    g_assert_false(rw_still_probe(f->folder, &info, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_DAMAGED);
    g_clear_error(&f->error);
    g_unlink(f->path);
    g_assert_false(rw_still_probe(f->path, &info, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_IO);
    g_clear_error(&f->error);
    /* a header that asks for 65535 x 65535 */
    static const uint8_t vast[] = {0xFF, 0xD8, 0xFF, 0xC0, 0,    17, 8, 0xFF, 0xFF, 0xFF, 0xFF, 3,
                                   1,    0x11, 0,    2,    0x11, 0,  3, 0x11, 0,    0xFF, 0xD9};
    put(f, vast, sizeof vast);
    g_assert_false(rw_still_probe(f->path, &info, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_DAMAGED);
    g_assert_nonnull(strstr(f->error->message, "65535 x 65535"));
}

/* Bytes changed at random: read or refused, never worse; the decoder serves the next file. */
static void test_spoilt(fixture *f, gconstpointer data)
{
    (void)data;
    GRand *rand = g_rand_new_with_seed(17);
    made_still m = {.width = 40,
                    .height = 40,
                    .components = 3,
                    .time = "2026:03:14 09:30:03",
                    .make = "Workshop",
                    .serial = "1"};
    tiff_kind tk = {16, 3, PHOTOMETRIC_RGB, false, true, false, false, COMPRESSION_LZW, 3};
    png_kind pk = {PNG_COLOR_TYPE_RGB, 8, 1, 8, 3};
    int read = 0;
    for (int kind = 0; kind < 4; kind++) {
        m.progressive = kind == 1;
        if (kind < 2)
            put_jpeg(f, &m);
        else if (kind == 2)
            put_png(f, &pk, by_hand + 6, sizeof by_hand - 6);
        else
            put_tiff(f, &tk);
        g_autofree char *good = NULL;
        gsize bytes;
        g_assert_true(g_file_get_contents(f->path, &good, &bytes, NULL));
        for (int round = 0; round < 400; round++) {
            g_autofree char *bad = g_memdup2(good, bytes);
            int changes = g_rand_int_range(rand, 1, 6);
            int within = round % 2 ? (int)bytes : MIN((int)bytes, 700); /* headers, oftener */
            for (int i = 0; i < changes; i++)
                bad[g_rand_int_range(rand, 0, within)] = (char)g_rand_int_range(rand, 0, 256);
            put(f, bad, bytes);
            rw_still_info info;
            rw_pixels p;
            bool known = rw_still_probe(f->path, &info, &f->error);
            g_assert_true(known == !f->error);
            g_clear_error(&f->error);
            /* a spoilt size is not wrong, only slow */
            if (!known || (int64_t)info.width * info.height > 4000000)
                continue;
            if (rw_decoder_decode(f->decoder, f->path, 8, &p, &f->error)) {
                g_autofree char *sum = digest(&p); /* every byte is there */
                g_assert_nonnull(sum);
                g_assert_cmpint(p.damaged, ==, p.fault[0] != '\0');
                read++;
            }
            g_clear_error(&f->error);
        }
    }
    g_assert_cmpint(read, >, 400);
    m.progressive = false;
    put_jpeg(f, &m);
    rw_pixels p = decode(f, 8);
    g_assert_false(p.damaged);
    g_rand_free(rand);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    TIFFSetErrorHandler(NULL);
    TIFFSetWarningHandler(NULL);
#define ADD(name, function) g_test_add("/still/" name, fixture, NULL, set_up, function, tear_down)
    ADD("exif", test_exif);
    ADD("exif-by-hand", test_exif_by_hand);
    ADD("times", test_times);
    ADD("jpeg-scales", test_jpeg_scales);
    ADD("jpeg-kinds", test_jpeg_kinds);
    ADD("jpeg-cut", test_jpeg_cut);
    ADD("profile", test_profile);
    ADD("png", test_png);
    ADD("png-damage", test_png_damage);
    ADD("tiff", test_tiff);
    ADD("tiff-cut", test_tiff_cut);
    ADD("no-still", test_no_still);
    ADD("spoilt", test_spoilt);
#undef ADD
    return g_test_run();
}
