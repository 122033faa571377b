/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "survey/store.h"

#define STAGE "survey"

bool rw_store_get_basis(rw_reel *reel, rw_basis *basis, GError **error)
{
    GBytes *bytes = rw_reel_get_fact(reel, STAGE, RW_BASIS_VERSION, "", "basis", error);
    if (!bytes)
        return false;
    gsize size;
    const void *data = g_bytes_get_data(bytes, &size);
    bool ok = size == sizeof *basis;
    if (ok)
        memcpy(basis, data, size);
    g_bytes_unref(bytes);
    return ok && basis->version == RW_BASIS_VERSION && basis->eighths >= 1 && basis->eighths <= 8;
}

bool rw_store_put_basis(rw_reel *reel, const rw_basis *basis, GError **error)
{
    return rw_reel_put_fact(reel, STAGE, RW_BASIS_VERSION, "", "basis", basis, sizeof *basis,
                            error);
}

static bool put_readings(rw_reel *reel, int64_t still, const rw_readings *readings, int first,
                         int last, GError **error)
{
    const rw_measure_info *table = rw_measure_table();
    for (int m = first; m < last; m++)
        if (!rw_reel_put_measure(reel, still, table[m].name, table[m].version, readings->v[m],
                                 error))
            return false;
    return true;
}

/* The still's row learns what decoding told. */
static bool put_state(rw_reel *reel, int64_t still, const rw_glance *glance, GError **error)
{
    rw_still_row row;
    if (!rw_reel_get_still(reel, still, &row, error))
        return false;
    double state = glance->readings.v[RW_M_STATE];
    rw_still_state now = state == RW_STATE_UNREADABLE ? RW_STILL_UNREADABLE
                         : state == RW_STATE_DAMAGED  ? RW_STILL_DAMAGED
                                                      : RW_STILL_GOOD;
    bool ok = true;
    if (now != row.state || g_strcmp0(row.fault ? row.fault : "", glance->fault) != 0) {
        row.state = now;
        g_free(row.fault);
        row.fault = glance->fault[0] ? g_strdup(glance->fault) : NULL;
        ok = rw_reel_put_still(reel, &row, error);
    }
    rw_still_row_clear(&row);
    return ok;
}

bool rw_store_put_still(rw_reel *reel, int64_t still, const rw_glance *glance, GError **error)
{
    return put_state(reel, still, glance, error) &&
           rw_reel_put_measure_blob(reel, still, RW_BLOB_SIGHT, RW_GATE_VERSION, &glance->sight,
                                    sizeof glance->sight, error) &&
           rw_reel_put_measure_blob(reel, still, RW_BLOB_COLOUR, RW_BLOB_COLOUR_VERSION,
                                    &glance->colour, sizeof glance->colour, error) &&
           put_readings(reel, still, &glance->readings, 0, RW_M_FIRST_OF_PAIR, error);
}

bool rw_store_put_pair(rw_reel *reel, int64_t still, const rw_readings *readings,
                       const rw_step *step, GError **error)
{
    return put_readings(reel, still, readings, RW_M_FIRST_OF_PAIR, RW_N_MEASURES, error) &&
           rw_reel_put_measure_blob(reel, still, RW_BLOB_STEP, RW_BLOB_STEP_VERSION, step,
                                    sizeof *step, error);
}

/* Copies a blob of exactly `size` bytes; false without error when there is none. */
static bool get_blob(rw_reel *reel, int64_t still, const char *name, int version, void *out,
                     size_t size, GError **error)
{
    GBytes *bytes = rw_reel_get_measure_blob(reel, still, name, version, error);
    if (!bytes)
        return false;
    bool ok = g_bytes_get_size(bytes) == size;
    if (ok)
        memcpy(out, g_bytes_get_data(bytes, NULL), size);
    g_bytes_unref(bytes);
    return ok;
}

int64_t rw_store_pair_with(rw_reel *reel, int64_t still, GError **error)
{
    rw_step step;
    return get_blob(reel, still, RW_BLOB_STEP, RW_BLOB_STEP_VERSION, &step, sizeof step, error)
               ? step.before
               : -1;
}

bool rw_store_get_colour(rw_reel *reel, int64_t still, rw_colour_sight *sight, GError **error)
{
    return get_blob(reel, still, RW_BLOB_COLOUR, RW_BLOB_COLOUR_VERSION, sight, sizeof *sight,
                    error);
}

/* Times and faults of the stills of the track. */
static bool load_rows(rw_reel *reel, rw_track *track, GError **error)
{
    GArray *rows = rw_reel_stills(reel, error);
    if (!rows)
        return false;
    GHashTable *by_id = g_hash_table_new(g_int64_hash, g_int64_equal);
    for (guint i = 0; i < rows->len; i++) {
        rw_still_row *row = &g_array_index(rows, rw_still_row, i);
        g_hash_table_insert(by_id, &row->id, row);
    }
    for (size_t i = 0; i < track->count; i++) {
        const rw_still_row *row = g_hash_table_lookup(by_id, &track->still[i]);
        if (!row)
            continue;
        track->time_us[i] = row->captured_us;
        track->fault[i] = g_strdup(row->fault);
    }
    g_hash_table_unref(by_id);
    g_array_unref(rows);
    return true;
}

rw_track *rw_store_load_track(rw_reel *reel, const rw_gauge *gauge, const rw_basis *basis,
                              const int64_t *order, size_t count, GError **error)
{
    const rw_measure_info *table = rw_measure_table();
    g_autoptr(GError) inner = NULL;
    rw_track *track = rw_track_new(gauge, basis, count);
    memcpy(track->still, order, sizeof *order * count);
    bool ok = load_rows(reel, track, &inner);
    rw_colour_sight colour;
    for (size_t i = 0; ok && i < count; i++) {
        for (int m = 0; !inner && m < RW_N_MEASURES; m++)
            track->readings[i].v[m] =
                rw_reel_get_measure(reel, order[i], table[m].name, table[m].version, &inner);
        if (!inner)
            get_blob(reel, order[i], RW_BLOB_SIGHT, RW_GATE_VERSION, &track->sight[i],
                     sizeof track->sight[i], &inner);
        if (!inner)
            get_blob(reel, order[i], RW_BLOB_STEP, RW_BLOB_STEP_VERSION, &track->step[i],
                     sizeof track->step[i], &inner);
        if (!inner && rw_store_get_colour(reel, order[i], &colour, &inner))
            track->look[i] = rw_look_make(&colour);
        ok = !inner;
    }
    if (inner)
        g_propagate_error(error, g_steal_pointer(&inner));
    if (!ok)
        rw_track_free(&track);
    return track;
}
