/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "finish/deliver/movie.h"

/* The first row that claims an extension is the one that --codec need not name. */
static const rw_delivery *const table[] = {&rw_delivery_h264,
                                           &rw_delivery_h265,
                                           &rw_delivery_prores,
                                           &rw_delivery_ffv1,
                                           &rw_delivery_null,
                                           &rw_delivery_framemd5,
                                           NULL};

const rw_delivery *const *rw_delivery_all(void)
{
    return table;
}

const rw_delivery *rw_delivery_find(const char *name)
{
    for (const rw_delivery *const *d = table; *d; d++)
        if (g_str_equal((*d)->name, name))
            return *d;
    return NULL;
}

const rw_delivery *rw_delivery_for_file(const char *path)
{
    g_autofree char *lower = g_ascii_strdown(path, -1);
    for (const rw_delivery *const *d = table; *d; d++)
        for (const char *const *e = (*d)->extensions; *e; e++)
            if (g_str_has_suffix(lower, *e))
                return *d;
    return NULL;
}

const char *rw_delivery_name(const rw_delivery *delivery)
{
    return delivery->name;
}

const char *rw_delivery_title(const rw_delivery *delivery)
{
    return delivery->title;
}

const char *const *rw_delivery_extensions(const rw_delivery *delivery)
{
    return delivery->extensions;
}

bool rw_delivery_quality_range(const rw_delivery *delivery, int *best, int *worst, int *usual)
{
    *best = delivery->best;
    *worst = delivery->worst;
    *usual = delivery->usual;
    return delivery->worst > delivery->best;
}

bool rw_delivery_is_lossless(const rw_delivery *delivery)
{
    return delivery->lossless;
}
