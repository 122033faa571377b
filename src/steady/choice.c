/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "steady/choice.h"

bool rw_steady_choices(rw_reel *reel, int64_t scene, rw_steady_params *params, GError **error)
{
    g_autofree char *own = g_strdup_printf("scene:%" G_GINT64_FORMAT, scene);
    const char *const scopes[] = {"reel", own};
    rw_params_defaults(rw_steady_rows, params);
    for (size_t s = 0; s < G_N_ELEMENTS(scopes); s++)
        for (const rw_param *row = rw_steady_rows; row->key; row++) {
            g_autofree char *key = g_strconcat("steady.", row->key, NULL);
            GError *failed = NULL;
            g_autofree char *value = rw_reel_get_choice(reel, scopes[s], key, &failed);
            if (failed) {
                g_propagate_error(error, failed);
                return false;
            }
            if (value)
                rw_params_set(rw_steady_rows, params, row->key, value, NULL);
        }
    return true;
}
