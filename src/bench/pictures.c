/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <fcntl.h>
#include <setjmp.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <jpeglib.h>

#include <reelwright/survey.h>

#include "bench/pictures.h"

#define SMALL_WIDTH   480
#define SMALL_QUALITY 80
#define QUALITY       93
#define MAX_SMALL     (4 << 20) /* bytes of a small picture's file */

/* A decoded still, 8 bits a sample. */
typedef struct decoded {
    gint count; /* of references */
    char *reel;
    int64_t still;
    int eighths;
    int width, height, channels;
    size_t bytes;
    uint8_t *data;
    void *profile;
    size_t profile_bytes;
} decoded;

struct rw_pictures {
    rw_shelf *shelf;
    size_t budget;
    GMutex lock;
    GQueue kept; /* decoded, the one used last first; guarded */
    size_t kept_bytes;
    GAsyncQueue *decoders; /* those not in use */
};

/* ---- encoding ---- */

typedef struct jpeg_trap {
    struct jpeg_error_mgr base;
    jmp_buf back;
} jpeg_trap;

static void on_jpeg_error(j_common_ptr info)
{
    longjmp(((jpeg_trap *)info->err)->back, 1);
}

static void on_jpeg_message(j_common_ptr info)
{
    (void)info;
}

static void write_rows(struct jpeg_compress_struct *jpeg, const uint8_t *data, ptrdiff_t stride)
{
    while (jpeg->next_scanline < jpeg->image_height) {
        JSAMPROW row = (JSAMPROW)(data + (ptrdiff_t)jpeg->next_scanline * stride);
        jpeg_write_scanlines(jpeg, &row, 1);
    }
}

GBytes *rw_jpeg_encode(const uint8_t *data, int width, int height, ptrdiff_t stride, int channels,
                       int quality, const void *profile, size_t profile_bytes, GError **error)
{
    struct jpeg_compress_struct jpeg;
    jpeg_trap trap;
    unsigned char *out = NULL;
    unsigned long bytes = 0;
    jpeg.err = jpeg_std_error(&trap.base);
    trap.base.error_exit = on_jpeg_error;
    trap.base.output_message = on_jpeg_message;
    jpeg_create_compress(&jpeg);
    jpeg_mem_dest(&jpeg, &out, &bytes);
    if (setjmp(trap.back)) {
        jpeg_destroy_compress(&jpeg);
        free(out);
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED, "A picture of %dx%d cannot be encoded.",
                    width, height);
        return NULL;
    }
    jpeg.image_width = (JDIMENSION)width;
    jpeg.image_height = (JDIMENSION)height;
    jpeg.input_components = channels;
    jpeg.in_color_space = channels == 1 ? JCS_GRAYSCALE : JCS_RGB;
    jpeg_set_defaults(&jpeg);
    jpeg_set_quality(&jpeg, quality, TRUE);
    if (quality >= 90) /* colour as fine as light: a person looks at it closely */
        jpeg.comp_info[0].h_samp_factor = jpeg.comp_info[0].v_samp_factor = 1;
    jpeg_start_compress(&jpeg, TRUE);
    if (profile && profile_bytes)
        jpeg_write_icc_profile(&jpeg, profile, (unsigned)profile_bytes);
    write_rows(&jpeg, data, stride);
    jpeg_finish_compress(&jpeg);
    jpeg_destroy_compress(&jpeg);
    return g_bytes_new_with_free_func(out, bytes, free, out);
}

/* ---- decoding ---- */

static void decoded_unref(decoded *d)
{
    if (!g_atomic_int_dec_and_test(&d->count))
        return;
    g_free(d->reel);
    g_free(d->data);
    g_free(d->profile);
    g_free(d);
}

static void copy_row(uint8_t *to, const void *from, size_t samples, int bits)
{
    const uint16_t *wide = from;
    if (bits == 8)
        memcpy(to, from, samples);
    else
        for (size_t i = 0; i < samples; i++)
            to[i] = (uint8_t)(wide[i] / 257);
}

static decoded *keep_pixels(const rw_pixels *pixels)
{
    decoded *d = g_new0(decoded, 1);
    d->count = 1;
    d->width = pixels->width;
    d->height = pixels->height;
    d->channels = pixels->channels;
    size_t row = (size_t)d->width * (size_t)d->channels;
    d->bytes = row * (size_t)d->height;
    d->data = g_malloc(d->bytes);
    for (int y = 0; y < d->height; y++)
        copy_row(d->data + (size_t)y * row,
                 (const uint8_t *)pixels->data + (ptrdiff_t)y * pixels->stride, row, pixels->bits);
    return d;
}

/* The still's row, and its path through its own descriptor: what is opened here is what is decoded,
 * and it lies in the reel. */
static char *still_path(rw_pictures *pictures, const char *reel, int64_t still, int *fd,
                        int *eighths_for_small, GError **error)
{
    rw_still_row row = {0};
    rw_reel *r = rw_shelf_borrow(pictures->shelf, reel, error);
    bool ok = r && rw_reel_get_still(r, still, &row, error);
    rw_shelf_return(pictures->shelf, reel, &r);
    *fd = ok ? rw_shelf_open(pictures->shelf, reel, row.path, error) : -1;
    if (eighths_for_small && row.width > 0)
        *eighths_for_small = CLAMP((8 * SMALL_WIDTH + row.width - 1) / row.width, 1, 8);
    rw_still_row_clear(&row);
    return *fd >= 0 ? g_strdup_printf("/proc/self/fd/%d", *fd) : NULL;
}

static decoded *decode(rw_pictures *pictures, const char *reel, int64_t still, int eighths,
                       GError **error)
{
    int fd = -1, small = eighths;
    g_autofree char *path = still_path(pictures, reel, still, &fd, eighths ? NULL : &small, error);
    if (!path)
        return NULL;
    rw_decoder *decoder = g_async_queue_try_pop(pictures->decoders);
    if (!decoder)
        decoder = rw_decoder_new();
    rw_pixels pixels;
    decoded *d = NULL;
    if (rw_decoder_decode(decoder, path, MAX(small, 1), &pixels, error)) {
        size_t bytes = 0;
        const void *profile = rw_decoder_profile(decoder, &bytes);
        d = keep_pixels(&pixels);
        d->profile = profile ? g_memdup2(profile, bytes) : NULL;
        d->profile_bytes = profile ? bytes : 0;
        d->reel = g_strdup(reel);
        d->still = still;
        d->eighths = eighths;
    }
    g_async_queue_push(pictures->decoders, decoder);
    close(fd);
    return d;
}

static decoded *find_kept(rw_pictures *pictures, const char *reel, int64_t still, int eighths)
{
    decoded *found = NULL;
    g_mutex_lock(&pictures->lock);
    for (GList *l = pictures->kept.head; l && !found; l = l->next) {
        decoded *d = l->data;
        if (d->still != still || d->eighths != eighths || !g_str_equal(d->reel, reel))
            continue;
        found = d;
        g_atomic_int_inc(&d->count);
        g_queue_unlink(&pictures->kept, l);
        g_queue_push_head_link(&pictures->kept, l);
        break;
    }
    g_mutex_unlock(&pictures->lock);
    return found;
}

static void keep(rw_pictures *pictures, decoded *d)
{
    if (d->bytes > pictures->budget)
        return;
    g_mutex_lock(&pictures->lock);
    g_atomic_int_inc(&d->count);
    g_queue_push_head(&pictures->kept, d);
    pictures->kept_bytes += d->bytes;
    while (pictures->kept_bytes > pictures->budget) {
        decoded *old = g_queue_pop_tail(&pictures->kept);
        pictures->kept_bytes -= old->bytes;
        decoded_unref(old);
    }
    g_mutex_unlock(&pictures->lock);
}

GBytes *rw_pictures_still(rw_pictures *pictures, const char *reel, int64_t still, int eighths,
                          rw_irect part, GError **error)
{
    decoded *d = find_kept(pictures, reel, still, eighths);
    if (!d) {
        d = decode(pictures, reel, still, eighths, error);
        if (!d)
            return NULL;
        keep(pictures, d);
    }
    int left = CLAMP(part.x, 0, d->width - 1), top = CLAMP(part.y, 0, d->height - 1);
    int width = part.width > 0 ? MIN(part.width, d->width - left) : d->width;
    int height = part.height > 0 ? MIN(part.height, d->height - top) : d->height;
    if (part.width <= 0 || part.height <= 0) {
        left = top = 0;
        width = d->width;
        height = d->height;
    }
    ptrdiff_t stride = (ptrdiff_t)d->width * d->channels;
    GBytes *bytes =
        rw_jpeg_encode(d->data + top * stride + (ptrdiff_t)left * d->channels, width, height,
                       stride, d->channels, QUALITY, d->profile, d->profile_bytes, error);
    decoded_unref(d);
    return bytes;
}

/* ---- small ones ---- */

static GBytes *read_whole(int fd)
{
    struct stat info;
    if (fstat(fd, &info) != 0 || !S_ISREG(info.st_mode) || info.st_size <= 0 ||
        info.st_size > MAX_SMALL)
        return NULL;
    size_t size = (size_t)info.st_size, done = 0;
    uint8_t *data = g_malloc(size);
    while (done < size) {
        ssize_t n = read(fd, data + done, size - done);
        if (n <= 0)
            break;
        done += (size_t)n;
    }
    if (done == size)
        return g_bytes_new_take(data, size);
    g_free(data);
    return NULL;
}

GBytes *rw_pictures_small(rw_pictures *pictures, const char *reel, int64_t still, GError **error)
{
    g_autofree char *path = rw_survey_picture_path(still);
    int fd = rw_shelf_open(pictures->shelf, reel, path, NULL);
    GBytes *bytes = fd >= 0 ? read_whole(fd) : NULL;
    if (fd >= 0)
        close(fd);
    if (bytes)
        return bytes;
    decoded *d = decode(pictures, reel, still, 0, error);
    if (!d)
        return NULL;
    bytes = rw_jpeg_encode(d->data, d->width, d->height, (ptrdiff_t)d->width * d->channels,
                           d->channels, SMALL_QUALITY, d->profile, d->profile_bytes, error);
    decoded_unref(d);
    return bytes;
}

/* ---- start and end ---- */

static void free_decoder(gpointer decoder)
{
    rw_decoder *d = decoder;
    rw_decoder_free(&d);
}

rw_pictures *rw_pictures_new(rw_shelf *shelf, size_t budget)
{
    rw_pictures *pictures = g_new0(rw_pictures, 1);
    pictures->shelf = shelf;
    pictures->budget = budget;
    g_mutex_init(&pictures->lock);
    g_queue_init(&pictures->kept);
    pictures->decoders = g_async_queue_new_full(free_decoder);
    return pictures;
}

void rw_pictures_free(rw_pictures **pictures)
{
    rw_pictures *p = *pictures;
    if (!p)
        return;
    g_queue_clear_full(&p->kept, (GDestroyNotify)decoded_unref);
    g_async_queue_unref(p->decoders);
    g_mutex_clear(&p->lock);
    g_clear_pointer(pictures, g_free);
}
