/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * make_card: camera cards of small JPEG stills for the tests of intake.
 *
 *     make_card DIR FOLDER FIRST COUNT [start=S] [step=S] [size=WxH] [serial=N] [prefix=RWD_]
 *               [seed=N] [notime]
 *
 * Writes DIR/DCIM/FOLDER/PREFIXnnnn.JPG; the counter starts again at 0001 after 9999 in the same
 * folder. start is seconds after 2026-03-14 09:30:00. File times are the times of the shots.
 */
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include <glib.h>
#include <glib/gstdio.h>
#include <utime.h>

#include "../unit/stills.h"

static const char *option(int argc, char **argv, const char *name, const char *otherwise)
{
    size_t n = strlen(name);
    for (int i = 5; i < argc; i++)
        if (strncmp(argv[i], name, n) == 0 && (argv[i][n] == '=' || argv[i][n] == '\0'))
            return argv[i][n] ? argv[i] + n + 1 : "";
    return otherwise;
}

static int number(const char *text)
{
    return (int)g_ascii_strtoll(text, NULL, 10);
}

int main(int argc, char **argv)
{
    if (argc < 5)
        return 2;
    g_autofree char *folder = g_build_filename(argv[1], "DCIM", argv[2], NULL);
    double start = g_ascii_strtod(option(argc, argv, "start", "0"), NULL);
    double step = g_ascii_strtod(option(argc, argv, "step", "0.75"), NULL);
    const char *size = option(argc, argv, "size", "96x64"), *x = strchr(size, 'x');
    const char *prefix = option(argc, argv, "prefix", "RWD_");
    bool timed = !option(argc, argv, "notime", NULL);
    g_mkdir_with_parents(folder, 0777);
    for (int i = 0; i < number(argv[4]); i++) {
        char date[20], subsec[4];
        made_time(start + step * i, date, subsec);
        made_still m = {.width = number(size),
                        .height = number(x + 1),
                        .components = 3,
                        .seed = number(option(argc, argv, "seed", "0")) + i,
                        .time = timed ? date : NULL,
                        .subsec = timed ? subsec : NULL,
                        .make = timed ? "Workshop" : NULL,
                        .model = timed ? "Test Box" : NULL,
                        .serial = timed ? option(argc, argv, "serial", "0031337") : NULL,
                        .quality = 60 + i % 40};
        unsigned long bytes;
        unsigned char *data = made_jpeg(&m, &bytes);
        int n = (number(argv[3]) + i - 1) % 9999 + 1;
        g_autofree char *path = g_strdup_printf("%s/%s%04d.JPG", folder, prefix, n);
        if (!g_file_set_contents(path, (const char *)data, (gssize)bytes, NULL))
            return 1;
        free(data);
        g_autoptr(GDateTime) base = g_date_time_new_utc(2026, 3, 14, 9, 30, 0);
        time_t at = (time_t)(g_date_time_to_unix(base) + (gint64)(start + step * i));
        struct utimbuf times = {at, at};
        g_utime(path, &times);
    }
    return 0;
}
