/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "colour/domain_dsp.h"
#include "finish/pack.h"
#include "finish/pack_dsp.h"

typedef struct layout {
    int bytes;          /* per sample */
    int half_x, half_y; /* chroma has half as many columns, rows */
    int bits;
} layout;

static layout layout_of(rw_pack pack)
{
    switch (pack) {
    case RW_PACK_YUV420_8:
        return (layout){1, 1, 1, 8};
    case RW_PACK_YUV420_10:
        return (layout){2, 1, 1, 10};
    case RW_PACK_YUV422_10:
        return (layout){2, 1, 0, 10};
    case RW_PACK_GBR_16:
        return (layout){2, 0, 0, 16};
    case RW_PACK_NOTHING:
        break;
    }
    g_assert_not_reached();
}

static bool take_planes(rw_packed *p, layout l, rw_pool *pool, GError **error)
{
    size_t at[3], total = 0;
    for (int i = 0; i < 3; i++) {
        int columns = i ? p->width >> l.half_x : p->width;
        int rows = i ? p->height >> l.half_y : p->height;
        p->stride[i] = (columns * l.bytes + 63) & ~63;
        at[i] = total;
        total += (size_t)p->stride[i] * (size_t)rows;
    }
    p->buffer = rw_pool_take(pool, total, error);
    if (!p->buffer)
        return false;
    for (int i = 0; i < 3; i++)
        p->plane[i] = (uint8_t *)rw_buffer_data(p->buffer) + at[i];
    return true;
}

/* Nine rows of floats to work in. */
typedef struct rows {
    float *coded[3];  /* R', G', B' */
    float *yuv[2][3]; /* of two picture rows */
    float *memory;
} rows;

static rows rows_new(int width)
{
    size_t stride = ((size_t)width + 32) & ~(size_t)15;
    rows r = {.memory = g_new0(float, 9 * stride)};
    for (int i = 0; i < 3; i++) {
        r.coded[i] = r.memory + (size_t)i * stride;
        r.yuv[0][i] = r.memory + (size_t)(3 + i) * stride;
        r.yuv[1][i] = r.memory + (size_t)(6 + i) * stride;
    }
    return r;
}

/* What packing calls on. */
typedef struct tools {
    rw_pack_dsp pack;
    rw_domain_dsp domain;
} tools;

static void code_row(const tools *t, const rw_frame *f, int y, float *const to[3])
{
    for (int i = 0; i < 3; i++)
        t->domain.coded_from_light(to[i], f->plane[f->plane[1] ? i : 0] + y * f->stride, f->width);
}

static void store_row(const tools *t, const rw_packed *p, layout l, int plane, int y,
                      const float *from, float scale, float offset, uint32_t frame_key)
{
    int width = plane ? p->width >> l.half_x : p->width;
    /* each plane takes another stretch of the pattern */
    uint32_t key = frame_key + (uint32_t)plane * 0x55555555u + (uint32_t)y * RW_DITHER_ROW;
    uint8_t *to = p->plane[plane] + (ptrdiff_t)y * p->stride[plane];
    if (l.bytes == 1)
        t->pack.store8(to, from, width, scale, offset, key);
    else
        t->pack.store16((uint16_t *)(void *)to, from, width, scale, offset, key, l.bits == 16,
                        (1 << l.bits) - 1);
}

/* Chroma on the even columns, 1 2 1 across; from two rows for 4:2:0, else from one (b NULL).
 * Written over the beginning of a. */
static void halve(float *a, const float *b, int width)
{
    if (b)
        for (int x = 0; x < width; x++)
            a[x] = 0.5f * (a[x] + b[x]);
    float left = a[0];
    for (int x = 0; x < width / 2; x++) {
        float middle = a[2 * x], right = a[2 * x + 1];
        a[x] = 0.25f * (left + right) + 0.5f * middle;
        left = right;
    }
}

static void pack_yuv(const tools *t, const rw_packed *p, layout l, const rw_frame *f, rows *r,
                     uint32_t key)
{
    float unit = (float)(1 << (l.bits - 8)); /* limited range: 219 and 224 steps at 8 bits */
    for (int y = 0; y < f->height; y++) {
        float *const *yuv = r->yuv[y & 1];
        code_row(t, f, y, r->coded);
        t->pack.matrix(yuv, (const float *const *)r->coded, f->width);
        store_row(t, p, l, 0, y, yuv[0], 219 * unit, 16 * unit, key);
        if (l.half_y && !(y & 1))
            continue;
        for (int i = 1; i < 3; i++) {
            halve(r->yuv[l.half_y ? 0 : y & 1][i], l.half_y ? r->yuv[1][i] : NULL, f->width);
            store_row(t, p, l, i, y >> l.half_y, r->yuv[l.half_y ? 0 : y & 1][i], 224 * unit,
                      128 * unit, key);
        }
    }
}

static void pack_gbr(const tools *t, const rw_packed *p, layout l, const rw_frame *f, rows *r)
{
    static const int channel[] = {1, 2, 0};
    for (int y = 0; y < f->height; y++) {
        code_row(t, f, y, r->coded);
        for (int i = 0; i < 3; i++)
            store_row(t, p, l, i, y, r->coded[channel[i]], 65535, 0, 0);
    }
}

bool rw_packed_make(rw_packed *packed, rw_pack pack, const rw_frame *frame, rw_pool *pool,
                    GError **error)
{
    g_assert(frame->domain == RW_DOMAIN_LINEAR && frame->width % 2 == 0 && frame->height % 2 == 0);
    *packed = (rw_packed){.pack = pack, .width = frame->width, .height = frame->height};
    if (pack == RW_PACK_NOTHING)
        return true;
    layout l = layout_of(pack);
    if (!take_planes(packed, l, pool, error))
        return false;
    tools t;
    rw_pack_dsp_init(&t.pack, rw_cpu_level());
    rw_domain_dsp_init(&t.domain, rw_cpu_level());
    rows r = rows_new(frame->width);
    if (pack == RW_PACK_GBR_16)
        pack_gbr(&t, packed, l, frame, &r);
    else
        pack_yuv(&t, packed, l, frame, &r, (uint32_t)frame->n * RW_DITHER_FRAME);
    g_free(r.memory);
    return true;
}

void rw_packed_clear(rw_packed *packed)
{
    rw_buffer_unref(&packed->buffer);
    memset(packed, 0, sizeof *packed);
}
