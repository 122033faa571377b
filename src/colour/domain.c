/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "colour/domain_dsp.h"

#define DECLARE(isa)                                                                               \
    rw_domain_row_fn rw_density_from_light_##isa, rw_light_from_density_##isa,                     \
        rw_coded_from_light_##isa, rw_light_from_coded_##isa;
#define USE(isa)                                                                                   \
    *dsp = (rw_domain_dsp)                                                                         \
    {                                                                                              \
        rw_density_from_light_##isa, rw_light_from_density_##isa, rw_coded_from_light_##isa,       \
            rw_light_from_coded_##isa                                                              \
    }

RW_CPU_DECLARE(DECLARE)

void rw_domain_dsp_init(rw_domain_dsp *dsp, rw_cpu level)
{
    RW_CPU_USE(USE, level);
}

static void convert(const rw_frame *from, const rw_frame *to, rw_domain_row_fn *row)
{
    for (int p = 0; p < 3 && from->plane[p]; p++)
        for (int y = 0; y < from->height; y++)
            row(to->plane[p] + y * to->stride, from->plane[p] + y * from->stride, from->width);
}

/* By way of light: there are two domains beside it, and few conversions. */
static void through(const rw_frame *from, const rw_frame *to, rw_domain domain)
{
    rw_domain_dsp dsp;
    rw_domain_dsp_init(&dsp, rw_cpu_level());
    if (from->domain != RW_DOMAIN_LINEAR) {
        convert(from, to,
                from->domain == RW_DOMAIN_DENSITY ? dsp.light_from_density : dsp.light_from_coded);
        from = to;
    }
    if (domain != RW_DOMAIN_LINEAR)
        convert(from, to,
                domain == RW_DOMAIN_DENSITY ? dsp.density_from_light : dsp.coded_from_light);
}

bool rw_frame_to_domain(rw_frame *frame, rw_domain domain, rw_pool *pool, GError **error)
{
    if (frame->domain == domain)
        return true;
    if (rw_buffer_is_writable(frame->buffer)) {
        through(frame, frame, domain);
        frame->domain = domain;
        return true;
    }
    rw_frame own;
    if (!rw_frame_alloc(&own, pool, frame->width, frame->height, frame->plane[1] ? 3 : 1, error))
        return false;
    own.n = frame->n;
    own.still_to_frame = frame->still_to_frame;
    through(frame, &own, domain);
    own.domain = domain;
    rw_frame_clear(frame);
    *frame = own;
    return true;
}
