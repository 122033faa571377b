/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * page.h - the page's own files: built into the program, or from a folder while one works on them.
 */
#ifndef RW_BENCH_PAGE_H
#define RW_BENCH_PAGE_H

#include "bench/request.h"

typedef struct rw_page rw_page;

/* folder NULL: the built-in files. */
rw_page *rw_page_new(const char *folder, GError **error);
void rw_page_free(rw_page **page);
/* path: "", "js/main.js" ...; any thread. */
void rw_page_serve(const rw_page *page, const rw_request *request, const char *path,
                   rw_reply *reply);

#endif
