/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How a scene is steadied, and why.
 */
#include <reelwright/finish.h>

#include "bench/core.h"
#include "bench/guard.h"

static void write_scene(rw_doc *j, const rw_steady_scene *s)
{
    rw_doc_text(j, "mode", rw_steady_mode_name(s->mode));
    rw_doc_text(j, "reason", s->reason);
    rw_doc_number(j, "crop", s->crop_share);
    rw_doc_number(j, "across", s->jitter_x);
    rw_doc_number(j, "along", s->jitter_y);
    rw_doc_number(j, "left", s->left);
    rw_doc_whole(j, "held", s->held);
}

void rw_answer_steady(void *user, const rw_request *request, rw_reply *reply)
{
    rw_bench *bench = user;
    GError *error = NULL;
    int64_t id;
    if (!rw_guard_number(request->part[1], &id)) {
        rw_reply_refuse(reply, 400, "A scene is named by its number.");
        return;
    }
    rw_reel *reel = rw_bench_borrow(bench, request, reply);
    if (!reel)
        return;
    rw_steady_scene scene;
    if (rw_finish_steadying(reel, id, &scene, &error)) {
        rw_doc *j = rw_doc_new();
        rw_doc_open(j, NULL, '{');
        write_scene(j, &scene);
        rw_doc_close(j);
        rw_reply_doc(reply, &j);
    } else {
        rw_reply_error(reply, error);
    }
    rw_shelf_return(bench->shelf, request->part[0], &reel);
}
