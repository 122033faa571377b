/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * replay NAME FOLDER...: gives every file of the folders to the target, whole, cut and changed, by
 * a fixed seed. Inputs lie in memory of exactly their size, so that reading past the end shows.
 * REPLAY_CHANGES=n changes how many variants of each there are. A folder that is absent is empty.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "target.h"

static void give(const uint8_t *data, size_t size)
{
    uint8_t *exact = malloc(size ? size : 1);
    memcpy(exact, data, size);
    LLVMFuzzerTestOneInput(exact, size);
    free(exact);
}

/* What mutation engines do most: flip, overwrite with edge values, cut, repeat, drop, join. */
static void change(GRand *rand, GByteArray *input, const GByteArray *other)
{
    static const uint8_t edges[] = {0, 1, 0x7F, 0x80, 0xFE, 0xFF};
    guint n = input->len, at = n ? (guint)g_rand_int_range(rand, 0, (gint32)n) : 0;
    if (n == 0)
        return;
    guint some = (guint)g_rand_int_range(rand, 1, 17);
    some = MIN(some, n - at);
    switch (g_rand_int_range(rand, 0, 7)) {
    case 0:
        input->data[at] ^= (uint8_t)(1u << g_rand_int_range(rand, 0, 8));
        break;
    case 1:
        input->data[at] = edges[g_rand_int_range(rand, 0, G_N_ELEMENTS(edges))];
        break;
    case 2:
        memset(input->data + at, edges[g_rand_int_range(rand, 0, G_N_ELEMENTS(edges))], some);
        break;
    case 3:
        g_byte_array_set_size(input, at);
        break;
    case 4:
        g_byte_array_remove_range(input, at, some);
        break;
    case 5:
        if (n < 1u << 16) {
            g_autofree uint8_t *copy = g_memdup2(input->data + at, some);
            g_byte_array_append(input, copy, some);
        }
        break;
    default:
        if (other->len > at) {
            g_byte_array_set_size(input, at);
            g_byte_array_append(input, other->data + at, other->len - at);
        }
        break;
    }
}

static void give_changed(GRand *rand, const GByteArray *input, const GByteArray *other, int changes)
{
    for (int i = 0; i < changes; i++) {
        g_autoptr(GByteArray) variant = g_byte_array_new();
        g_byte_array_append(variant, input->data, input->len);
        for (int k = g_rand_int_range(rand, 1, 5); k > 0; k--)
            change(rand, variant, other);
        give(variant->data, variant->len);
    }
}

static int compare_names(gconstpointer a, gconstpointer b)
{
    return strcmp(*(const char *const *)a, *(const char *const *)b);
}

static void read_folder(const char *path, GPtrArray *inputs)
{
    g_autoptr(GDir) dir = g_dir_open(path, 0, NULL);
    g_autoptr(GPtrArray) names = g_ptr_array_new_with_free_func(g_free);
    const char *name;
    while (dir && (name = g_dir_read_name(dir)))
        if (name[0] != '.')
            g_ptr_array_add(names, g_build_filename(path, name, NULL));
    g_ptr_array_sort(names, compare_names);
    for (guint i = 0; i < names->len; i++) {
        char *data;
        gsize size;
        if (g_file_get_contents(g_ptr_array_index(names, i), &data, &size, NULL))
            g_ptr_array_add(inputs, g_byte_array_new_take((guint8 *)data, size));
    }
}

int main(int argc, char **argv)
{
    const char *asked = g_getenv("REPLAY_CHANGES");
    int changes = asked ? (int)g_ascii_strtoll(asked, NULL, 10) : 1000;
    g_autoptr(GPtrArray) inputs =
        g_ptr_array_new_with_free_func((GDestroyNotify)g_byte_array_unref);
    GRand *rand = g_rand_new_with_seed(1);
    for (int i = 2; i < argc; i++)
        read_folder(argv[i], inputs);
    give((const uint8_t *)"", 0);
    for (guint i = 0; i < inputs->len; i++) {
        const GByteArray *input = g_ptr_array_index(inputs, i);
        const GByteArray *other = g_ptr_array_index(inputs, (i * 7 + 1) % inputs->len);
        give(input->data, input->len);
        give_changed(rand, input, other, changes);
    }
    g_rand_free(rand);
    printf("%sok 1 %s: %u inputs and %d variants of each\n1..1\n", inputs->len ? "" : "not ",
           argc > 1 ? argv[1] : "", inputs->len, changes);
    return inputs->len ? 0 : 1;
}
