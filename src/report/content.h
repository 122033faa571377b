/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * content.h - what a report says, gathered from reel.db once, before anything is drawn.
 *
 * Everything in here is owned by the content and freed with it.
 */
#ifndef RW_REPORT_CONTENT_H
#define RW_REPORT_CONTENT_H

#include <reelwright/reel.h>
#include <reelwright/statistics.h>

#include "report/plot.h"

#define RW_REPORT_MAX_PLOTS 16

typedef struct rw_report_fact {
    char *label, *value;
} rw_report_fact;

typedef struct rw_report_finding {
    rw_finding_row row;
    char *title;         /* "Missing frame" */
    char *place;         /* "frame 120" or "frames 120 to 140" */
    char *footage;       /* "1 ft 8 in (0.51 m) from the head" */
    char *evidence;      /* "gap 1.02 s, step 2.1 ..." one line */
    GBytes *before, *at; /* small JPEGs, NULL when the cache has none */
    bool at_is_after;    /* at shows the frame after the place, which no still shows */
} rw_report_finding;

typedef struct rw_report_content {
    char *title;
    char *verdict;      /* one sentence: may the film go back into its box? */
    int verdict_weight; /* 0 yes, 1 look first, 2 shoot again first */
    GArray *facts;      /* rw_report_fact */
    GArray *findings;   /* rw_report_finding, worst first */
    size_t counts[3];   /* open findings: note, look, redo */
    int64_t frames;
    rw_plot plots[RW_REPORT_MAX_PLOTS];
    int n_plots;
    GPtrArray *scene_pictures; /* GBytes JPEG or NULL, one per scene */
    GArray *scenes;            /* rw_scene_row */
    GArray *scene_spreads;     /* rw_statistics, one per scene */
    char *made;                /* "2026-11-25, reelwright 0.1.0" */
    /* owned storage behind the plots */
    GPtrArray *series; /* double[] */
    int64_t *scene_first;
    GPtrArray *marks; /* rw_plot_mark[] */
} rw_report_content;

rw_report_content *rw_report_content_new(rw_reel *reel, GError **error);
void rw_report_content_free(rw_report_content **content);

/* A small JPEG as pixels for Cairo (RGB24). False when it is none; clear frees the pixels. */
typedef struct rw_report_picture {
    int width, height;
    unsigned char *argb;
} rw_report_picture;
bool rw_report_picture_open(GBytes *jpeg, rw_report_picture *picture);
void rw_report_picture_clear(rw_report_picture *picture);

/* The two writers; each writes all of path (a temporary name given by report.c). */
bool rw_report_write_html(const rw_report_content *content, const char *path, GError **error);
bool rw_report_write_pdf(const rw_report_content *content, const char *path, GError **error);

#endif
