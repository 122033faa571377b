/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "colour/still_curve.h"
#include "finish/still_light.h"

/* One kind of light for one depth. */
typedef struct shape {
    float *table; /* NULL until it is asked for */
    float matrix[3][3];
    bool mixes;
} shape;

struct rw_still_light {
    const char *curve;
    GBytes *curve_table;
    shape plain[2];      /* by the curve, or sRGB: of 8, of 16 bits */
    GBytes *bytes;       /* of the profile that was seen last */
    rw_profile *profile; /* of these; NULL: it adds nothing */
    shape own[2];
    uint16_t *converted;
    size_t room;
};

rw_still_light *rw_still_light_new(const char *curve, GBytes *table)
{
    rw_still_light *l = g_new0(rw_still_light, 1);
    l->curve = curve;
    l->curve_table = table;
    return l;
}

static void drop_profile(rw_still_light *l)
{
    for (int i = 0; i < 2; i++)
        g_clear_pointer(&l->own[i].table, g_free);
    rw_profile_free(&l->profile);
    g_clear_pointer(&l->bytes, g_bytes_unref);
}

void rw_still_light_free(rw_still_light **light)
{
    rw_still_light *l = *light;
    if (!l)
        return;
    drop_profile(l);
    for (int i = 0; i < 2; i++)
        g_free(l->plain[i].table);
    g_free(l->converted);
    g_clear_pointer(light, g_free);
}

/* ---- profiles ---- */

static void take_profile(rw_still_light *l, const void *data, size_t bytes)
{
    if (l->bytes && g_bytes_get_size(l->bytes) == bytes &&
        memcmp(g_bytes_get_data(l->bytes, NULL), data, bytes) == 0)
        return;
    drop_profile(l);
    l->bytes = g_bytes_new(data, bytes);
    l->profile = rw_profile_new(data, bytes, NULL);
    if (l->profile && rw_profile_is_srgb(l->profile))
        rw_profile_free(&l->profile);
}

static bool read_shaped(rw_still_light *l, int bits, const float **table, const float (**matrix)[3])
{
    shape *s = &l->own[bits == 16];
    if (!s->table) {
        s->table = g_new(float, (size_t)1 << bits);
        s->mixes = rw_profile_shape(l->profile, bits, s->table, s->matrix);
    }
    *table = s->table;
    *matrix = (const float(*)[3])s->matrix;
    return s->mixes;
}

static bool convert(rw_still_light *l, rw_pixels *pixels)
{
    size_t samples = 3 * (size_t)pixels->width * (size_t)pixels->height;
    if (samples > l->room) {
        l->converted = g_renew(uint16_t, l->converted, samples);
        l->room = samples;
    }
    if (!rw_profile_to_srgb(l->profile, pixels, l->converted, NULL))
        return false;
    pixels->data = l->converted;
    pixels->stride = 6 * (ptrdiff_t)pixels->width;
    pixels->bits = 16;
    return true;
}

bool rw_still_light_read(rw_still_light *l, const void *profile, size_t bytes, rw_pixels *pixels,
                         const float **table, const float (**matrix)[3], GError **error)
{
    *matrix = NULL;
    bool converted = false;
    if (profile && !*l->curve && pixels->channels == 3) {
        take_profile(l, profile, bytes);
        if (l->profile && read_shaped(l, pixels->bits, table, matrix))
            return true;
        *matrix = NULL;
        converted = l->profile && convert(l, pixels);
    }
    shape *s = &l->plain[pixels->bits == 16];
    if (!s->table) {
        s->table = g_new(float, (size_t)1 << pixels->bits);
        if (!rw_still_curve(converted ? "" : l->curve, converted ? NULL : l->curve_table,
                            pixels->bits, s->table, error)) {
            g_clear_pointer(&s->table, g_free);
            return false;
        }
    }
    *table = s->table;
    return true;
}

void rw_still_light_mix(const float m[3][3], const rw_frame *f)
{
    for (int y = 0; y < f->height; y++) {
        float *r = f->plane[0] + y * f->stride, *g = f->plane[1] + y * f->stride,
              *b = f->plane[2] + y * f->stride;
        for (int x = 0; x < f->width; x++) {
            float in[3] = {r[x], g[x], b[x]};
            r[x] = m[0][0] * in[0] + m[0][1] * in[1] + m[0][2] * in[2];
            g[x] = m[1][0] * in[0] + m[1][1] * in[1] + m[1][2] * in[2];
            b[x] = m[2][0] * in[0] + m[2][1] * in[1] + m[2][2] * in[2];
        }
    }
}
