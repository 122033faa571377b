/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * db.h - the thin layer between reel.h's functions and SQLite. Inside src/reel only.
 */
#ifndef RW_REEL_DB_H
#define RW_REEL_DB_H

#include <sqlite3.h>

#include <reelwright/reel.h>

struct rw_reel {
    char *path;
    sqlite3 *db;
    GHashTable *statements; /* SQL literal (by address) -> sqlite3_stmt, prepared once */
};

/* A prepared statement, reset and without bindings. sql must be a string literal. */
sqlite3_stmt *rw_db_prepare(rw_reel *reel, const char *sql, GError **error);
/* Runs to the end, ignoring rows. */
bool rw_db_run(rw_reel *reel, sqlite3_stmt *statement, GError **error);
/* SQLITE_ROW, SQLITE_DONE, or SQLITE_ERROR with *error set. The caller resets after the last row.
 */
int rw_db_step(rw_reel *reel, sqlite3_stmt *statement, GError **error);
/* All rows, each read into a zeroed one of `size` bytes; clear (may be NULL) frees what one owns.
 * NULL with *error set on failure. statement NULL: rw_db_prepare has failed already. */
typedef void rw_db_reader(sqlite3_stmt *statement, void *row);
GArray *rw_db_rows(rw_reel *reel, sqlite3_stmt *statement, guint size, rw_db_reader *read,
                   GDestroyNotify clear, GError **error);
/* The first column of the first row, -1 on failure; statement NULL as above. */
int64_t rw_db_number(rw_reel *reel, sqlite3_stmt *statement, GError **error);
bool rw_db_exec(rw_reel *reel, const char *sql, GError **error);
void rw_db_set_error(rw_reel *reel, GError **error);

/* NULL binds NULL. */
void rw_db_bind_text(sqlite3_stmt *statement, int index, const char *text);
/* A copy; NULL for NULL. */
char *rw_db_text(sqlite3_stmt *statement, int column);

/* A row of `SELECT * FROM geometry`. */
void rw_db_geometry(sqlite3_stmt *statement, rw_geometry_row *row);

/* begin/commit that also work inside the caller's own transaction. */
bool rw_db_savepoint(rw_reel *reel, GError **error);
bool rw_db_release(rw_reel *reel, bool ok,
                   GError **error); /* ok false: rolls back, returns false */

#endif
