/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * restore_speed.c - what the stages take of time.
 */
#include <math.h>
#include <stdio.h>
#include <sys/resource.h>

#include "restore/stages.h"
#include "stage_run.h"
#include "trial.h"

/* Seconds of processor time of this process, all threads. */
static double cpu_seconds(void)
{
    struct rusage u;
    getrusage(RUSAGE_SELF, &u);
    return (double)(u.ru_utime.tv_sec + u.ru_stime.tv_sec) +
           1e-6 * (double)(u.ru_utime.tv_usec + u.ru_stime.tv_usec);
}

void part_speed(trial *set)
{
    static const char *const on[] = {"dirt.rate=3.5", "grain.rms=11", NULL};
    const int count = set->quick ? 12 : 16;
    reel_spec spec = trial_spec(set, 0, count, TRIAL_SHORT, on);
    spec.width = 1440;
    spec.height = 1080;
    clip in, out;
    trial_draw(&in, &spec, "grain noise dirt lamp shutter", NULL);
    double cpu = cpu_seconds();
    stage_run *run = stage_run_new(&in, NULL, set->threads);
    const stage_times m = stage_run_times(run);
    printf("\nSpeed at 1440 x 1080, %d threads. Targets: 40 ms a field, 3 frames/s for the chain. "
           "Core-ms: "
           "processor time, which other work on the machine does not stretch.\n",
           set->threads);
    const double fields = 4.0 * count - 6.0;
    double all = cpu_seconds() - cpu;
    printf(
        "motion       %6.1f ms a frame, %6.1f core-ms (pictures and %.0f fields: %.1f ms a field, "
        "%.1f core-ms)\n",
        1e3 * m.motion / count, 1e3 * all / count, fields, 1e3 * m.motion / fields,
        1e3 * all / fields);
    static const rw_stage *const stages[] = {&rw_stage_flicker, &rw_stage_blemish, &rw_stage_grain};
    double chain = m.motion, before = 0, looks_at = 0;
    for (int k = 0; k < 3; k++) {
        cpu = cpu_seconds();
        stage_run_stage(run, stages[k], NULL, NULL, NULL);
        const double used = cpu_seconds() - cpu;
        const stage_times t = stage_run_times(run);
        printf("%-12s %6.1f ms a frame and %5.1f to look at one beforehand, %6.1f core-ms\n",
               stages[k]->name, 1e3 * (t.frame - before) / count,
               1e3 * (t.observe - looks_at) / count, 1e3 * used / count);
        chain += t.frame - before + t.observe - looks_at;
        all += used;
        before = t.frame;
        looks_at = t.observe;
    }
    printf("chain        %6.1f ms a frame: %.2f frames/s; %.1f core-ms: %.2f frames/s on two free "
           "cores\n",
           1e3 * chain / count, count / chain, 1e3 * all / count, 2.0 * count / all);
    stage_run_to_clip(run, &out);
    stage_run_free(&run);
    clip_clear(&out);
    /* the floor: decoding JPEG stills and encoding H.264 */
    g_autofree char *from = g_build_filename(set->temp, "floor.rgb", NULL);
    const size_t bytes = (size_t)in.width * (size_t)in.height * 3 * (size_t)in.count;
    if (g_file_set_contents(from, (const char *)in.rgb, (gssize)bytes, NULL)) {
        g_autofree char *jpeg = g_strdup_printf("ffmpeg -v error -y -f rawvideo -pix_fmt rgb24 -s "
                                                "%dx%d -r 18 -i '%s' -vf scale=3600:2700 -q:v 2 "
                                                "'%s/still%%03d.jpg'",
                                                in.width, in.height, from, set->temp);
        g_autofree char *movie =
            g_strdup_printf("ffmpeg -v error -y -threads %d -r 18 -i '%s/still%%03d.jpg' -vf "
                            "scale=%d:%d -c:v libx264 "
                            "-preset medium -crf 18 -threads %d '%s/floor.mp4'",
                            set->threads, set->temp, in.width, in.height, set->threads, set->temp);
        if (system(jpeg) == 0) {
            const gint64 t = g_get_monotonic_time();
            if (system(movie) == 0) {
                const double floor_s = (double)(g_get_monotonic_time() - t) * 1e-6;
                printf("floor        %6.1f ms a frame to decode stills of 10 megapixels and encode "
                       "H.264; the chain "
                       "takes %.1f times that\n",
                       1e3 * floor_s / count, chain / floor_s);
            }
        }
        clip c;
        if (trial_filter(set, &c, &in, "format=gbrp,nlmeans=s=4:p=7:r=15")) {
            printf("nlmeans      %6.1f ms a frame: %.2f frames/s\n",
                   1e3 * set->filter_seconds / count, count / set->filter_seconds);
            clip_clear(&c);
        }
    }
    clip_clear(&in);
}
