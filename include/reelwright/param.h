/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * param.h - parameters as rows of a table, so that the command line, reel.db, the page and the
 * tests all read the same list.
 *
 * Calling sequence:
 *     typedef struct rw_noop_params { double share; bool keep; } rw_noop_params;
 *     static const rw_param rows[] = {
 *         RW_PARAM_NUMBER_ROW(rw_noop_params, share, "Share", "", 0, 1, 0.5, "What it does."),
 *         RW_PARAM_SWITCH_ROW(rw_noop_params, keep, "Keep", false, "What it does."),
 *         RW_PARAM_END};
 *     rw_noop_params p;
 *     rw_params_defaults(rows, &p);
 *     rw_params_set(rows, &p, "share", "0.25", &error);
 *
 * Rows are constant data. A struct that the rows describe is plain data without pointers; whoever
 * declares it owns it. Nothing here keeps state: any thread, any order.
 */
#ifndef REELWRIGHT_PARAM_H
#define REELWRIGHT_PARAM_H

#include <stddef.h>

#include <reelwright/error.h>

#ifdef __cplusplus
extern "C" {
#endif

#define RW_PARAM_TEXT_BYTES 320 /* with the NUL at the end */

typedef enum rw_param_kind {
    RW_PARAM_NUMBER, /* double */
    RW_PARAM_WHOLE,  /* int */
    RW_PARAM_SWITCH, /* bool; "on" or "off" */
    RW_PARAM_WORD,   /* int, an index into words */
    RW_PARAM_TEXT    /* char[RW_PARAM_TEXT_BYTES]; "" at first; one line of UTF-8 */
} rw_param_kind;

typedef struct rw_param {
    const char *key;   /* [a-z0-9-]+; "flicker.strength" is stage "flicker", key "strength" */
    const char *label; /* for people, one to three words */
    const char *unit;  /* "", "px", "mm", "stops" */
    rw_param_kind kind;
    double min, max;          /* inclusive; 0, 1 for a switch; 0, n - 1 for words */
    double initial;           /* the default, as a number whatever the kind */
    size_t offset;            /* in the struct */
    const char *const *words; /* NULL-ended, for RW_PARAM_WORD; else NULL */
    const char *help;         /* one whole sentence */
    const char *part;         /* rows of one part stand together under this heading; NULL: none */
} rw_param;

/* The key is the member's name. */
#define RW_PARAM_NUMBER_ROW(type, member, label, unit, min, max, initial, help)                    \
    {                                                                                              \
#member, label, unit, RW_PARAM_NUMBER, min, max, initial, offsetof(type, member), NULL,    \
            help, NULL                                                                             \
    }
#define RW_PARAM_WHOLE_ROW(type, member, label, unit, min, max, initial, help)                     \
    {                                                                                              \
#member, label, unit, RW_PARAM_WHOLE, min, max, initial, offsetof(type, member), NULL,     \
            help, NULL                                                                             \
    }
#define RW_PARAM_SWITCH_ROW(type, member, label, initial, help)                                    \
    {                                                                                              \
#member, label, "", RW_PARAM_SWITCH, 0, 1, initial, offsetof(type, member), NULL, help,    \
            NULL                                                                                   \
    }
/* n: how many words; initial: an index. */
#define RW_PARAM_WORD_ROW(type, member, label, words, n, initial, help)                            \
    {                                                                                              \
#member, label, "", RW_PARAM_WORD, 0, (n)-1, initial, offsetof(type, member), words, help, \
            NULL                                                                                   \
    }
/* min and max: how many bytes; what the text means is the struct's owner's to check. */
#define RW_PARAM_TEXT_ROW(type, member, label, help)                                               \
    {                                                                                              \
#member, label, "", RW_PARAM_TEXT, 0, RW_PARAM_TEXT_BYTES - 1, 0, offsetof(type, member),  \
            NULL, help, NULL                                                                       \
    }
#define RW_PARAM_END                                                                               \
    {                                                                                              \
        NULL, NULL, NULL, RW_PARAM_NUMBER, 0, 0, 0, 0, NULL, NULL, NULL                            \
    }

/* rows == NULL is an empty table throughout. */
RW_API const rw_param *rw_param_find(const rw_param *rows, const char *key);
RW_API void rw_params_defaults(const rw_param *rows, void *params);
/* From text, as typed or as stored. Numbers have a point whatever the locale. RW_ERROR_USAGE names
 * the key and what it takes; params is then untouched. */
RW_API bool rw_params_set(const rw_param *rows, void *params, const char *key, const char *text,
                          GError **error);
/* The text that rw_params_set reads back to the same value; free with g_free. NULL: no such key. */
RW_API char *rw_params_get(const rw_param *rows, const void *params, const char *key);
/* 16 hexadecimal digits that name the values of all rows; the same on every machine. g_free. */
RW_API char *rw_params_hash(const rw_param *rows, const void *params);

#ifdef __cplusplus
}
#endif
#endif
