/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * params.h - the terms of the model and their numbers, made from params.def.
 */
#ifndef RW_DEMO_PARAMS_H
#define RW_DEMO_PARAMS_H

#include <reelwright/types.h>

typedef enum rw_demo_term {
#define TERM(id, name, on, help) DEMO_TERM_##id,
#define NUMBER(id, key, unit, lo, hi, value, help)
#define LIST(id, key, help)
#include "demo/params.def"
#undef TERM
#undef NUMBER
#undef LIST
    DEMO_TERMS
} rw_demo_term;

typedef enum rw_demo_param {
#define TERM(id, name, on, help)
#define NUMBER(id, key, unit, lo, hi, value, help) DEMO_##id,
#define LIST(id, key, help)                        DEMO_##id,
#include "demo/params.def"
#undef TERM
#undef NUMBER
#undef LIST
    DEMO_PARAMS
} rw_demo_param;

typedef struct rw_demo_list {
    int64_t *at; /* ascending */
    int count;
} rw_demo_list;

typedef struct rw_demo_params {
    bool on[DEMO_TERMS];
    double number[DEMO_PARAMS];
    rw_demo_list list[DEMO_PARAMS];
} rw_demo_params;

void rw_demo_params_init(rw_demo_params *params);
void rw_demo_params_clear(rw_demo_params *params);
void rw_demo_params_copy(rw_demo_params *to, const rw_demo_params *from);
/* "term.param=value"; a list's value is "3,17,40". */
bool rw_demo_params_set(rw_demo_params *params, const char *assignment, GError **error);
/* One term by name, "faults" (what a finding is made of) or "all" (every term that can go). */
bool rw_demo_params_off(rw_demo_params *params, const char *term, GError **error);
/* The table for --help-terms, or as Markdown for the manual page; free with g_free. */
char *rw_demo_params_help(bool markdown);

const char *rw_demo_term_name(rw_demo_term term);
bool rw_demo_term_has_switch(rw_demo_term term);
const char *rw_demo_param_key(rw_demo_param param);
rw_demo_term rw_demo_param_term(rw_demo_param param);
bool rw_demo_param_is_list(rw_demo_param param);

/* 0 when the parameter's term is off. */
double rw_demo_value(const rw_demo_params *params, rw_demo_param param);
bool rw_demo_listed(const rw_demo_params *params, rw_demo_param param, int64_t frame);

#endif
