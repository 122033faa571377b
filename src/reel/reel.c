/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <errno.h>

#include <glib/gstdio.h>

#include <reelwright/version.h>

#include "reel/db.h"
#include "schema_001.h"
#include "schema_002.h"

#define APPLICATION_ID 0x5257726c /* "RWrl": SQLite's own mark of what a database is for */
#define SCHEMA_VERSION 2
#define BUSY_MS        10000

static void free_statement(gpointer statement)
{
    sqlite3_finalize(statement);
}

/* flags: SQLITE_OPEN_*. A reel without a readable reel.db gives NULL and a sentence. */
static rw_reel *open_database(const char *path, int flags, GError **error)
{
    rw_reel *reel = g_new0(rw_reel, 1);
    reel->path = g_strdup(path);
    reel->statements = g_hash_table_new_full(NULL, NULL, NULL, free_statement);
    g_autofree char *file = rw_reel_file(reel, "reel.db");
    if (sqlite3_open_v2(file, &reel->db, flags | SQLITE_OPEN_NOMUTEX, NULL) != SQLITE_OK) {
        rw_db_set_error(reel, error);
        rw_reel_close(&reel);
        return NULL;
    }
    sqlite3_busy_timeout(reel->db, BUSY_MS);
    /* What a foreign file says of itself is not trusted. */
    sqlite3_db_config(reel->db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
    sqlite3_db_config(reel->db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
    /* FULL: "taken in" is said to a person who then wipes the card. */
    if (!rw_db_exec(reel, "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;", error))
        rw_reel_close(&reel);
    return reel;
}

static int64_t pragma_number(rw_reel *reel, const char *sql, GError **error)
{
    return rw_db_number(reel, rw_db_prepare(reel, sql, error), error);
}

static int64_t schema_version(rw_reel *reel, GError **error)
{
    return pragma_number(reel, "PRAGMA user_version", error);
}

/* schemas[v] brings a database of version v to v + 1. */
static const char *const schemas[SCHEMA_VERSION] = {schema_001, schema_002};

/* Inside a transaction: a killed create leaves an empty reel.db, which the next create fills. */
static bool bring_up_to_date(rw_reel *reel, int64_t version, GError **error)
{
    for (int64_t v = version; v < SCHEMA_VERSION; v++)
        if (!rw_db_exec(reel, schemas[v], error))
            return false;
    g_autofree char *mark = g_strdup_printf("PRAGMA application_id=%d; PRAGMA user_version=%d;",
                                            APPLICATION_ID, SCHEMA_VERSION);
    return rw_db_exec(reel, mark, error);
}

/* A database that an older version made. Another program may do the same at this moment. */
static bool upgrade(rw_reel *reel, GError **error)
{
    if (!rw_reel_begin(reel, error))
        return false;
    int64_t version = schema_version(reel, error);
    if (version > 0 && bring_up_to_date(reel, version, error) && rw_reel_commit(reel, error))
        return true;
    rw_reel_rollback(reel);
    return false;
}

static bool fill_new_reel(rw_reel *reel, const char *gauge, rw_rational fps, const char *title,
                          GError **error)
{
    g_autofree char *rate = rw_rational_format(fps);
    return bring_up_to_date(reel, 0, error) && rw_reel_put_meta(reel, "gauge", gauge, error) &&
           rw_reel_put_meta(reel, "fps", rate, error) &&
           rw_reel_put_meta(reel, "title", title ? title : "", error) &&
           rw_reel_log_event(reel, "created", NULL, error);
}

rw_reel *rw_reel_create(const char *path, const char *gauge, rw_rational fps, const char *title,
                        GError **error)
{
    if (!rw_gauge_find(gauge)) {
        g_set_error(error, RW_ERROR, RW_ERROR_USAGE, "There is no gauge \"%s\".", gauge);
        return NULL;
    }
    static const char *const folders[] = {"stills", "cache", "out"};
    for (size_t i = 0; i < G_N_ELEMENTS(folders); i++) {
        g_autofree char *folder = g_build_filename(path, folders[i], NULL);
        if (g_mkdir_with_parents(folder, 0777) != 0) {
            rw_error_from_errno(error, errno, "Cannot make the folder %s", folder);
            return NULL;
        }
    }
    rw_reel *reel = open_database(path, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, error);
    if (!reel)
        return NULL;
    bool ok = rw_db_exec(reel, "BEGIN IMMEDIATE", error);
    if (ok && schema_version(reel, error) != 0) {
        g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT, "%s is a reel already.", path);
        ok = false;
    }
    ok = ok && fill_new_reel(reel, gauge, fps, title, error) && rw_reel_commit(reel, error);
    if (!ok) {
        rw_reel_rollback(reel);
        rw_reel_close(&reel);
    }
    return reel;
}

rw_reel *rw_reel_open(const char *path, GError **error)
{
    g_autofree char *file = g_build_filename(path, "reel.db", NULL);
    if (!g_file_test(file, G_FILE_TEST_IS_REGULAR)) {
        g_set_error(error, RW_ERROR, RW_ERROR_NOT_FOUND,
                    "%s is not a reel folder (it has no reel.db): take a card in first with "
                    "\"reelwright intake CARD %s\".",
                    path, path);
        return NULL;
    }
    rw_reel *reel = open_database(path, SQLITE_OPEN_READWRITE, error);
    if (!reel)
        return NULL;
    g_autoptr(GError) inner = NULL;
    int64_t mark = pragma_number(reel, "PRAGMA application_id", &inner);
    int64_t version = inner ? -1 : schema_version(reel, &inner);
    if (inner) {
        g_propagate_error(error, g_steal_pointer(&inner));
        rw_reel_close(&reel);
    } else if (version == 0 || mark != APPLICATION_ID) {
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                    "%s is not a reel's database, or was never finished: take the card in again.",
                    file);
        rw_reel_close(&reel);
    } else if (version > SCHEMA_VERSION) {
        g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT,
                    "%s was written by a newer Reelwright (its version %d, ours %d); use that one.",
                    file, (int)version, SCHEMA_VERSION);
        rw_reel_close(&reel);
    } else if (version < SCHEMA_VERSION && !upgrade(reel, error)) {
        rw_reel_close(&reel);
    }
    return reel;
}

void rw_reel_close(rw_reel **reel)
{
    if (!*reel)
        return;
    g_hash_table_destroy((*reel)->statements);
    sqlite3_close((*reel)->db);
    g_free((*reel)->path);
    g_clear_pointer(reel, g_free);
}

bool rw_reel_exists(const char *path)
{
    g_autofree char *file = g_build_filename(path, "reel.db", NULL);
    if (!g_file_test(file, G_FILE_TEST_IS_REGULAR))
        return false;
    rw_reel *reel = open_database(path, SQLITE_OPEN_READWRITE, NULL);
    /* A reel.db that cannot be read is something that must not be written over either. */
    bool exists = !reel || schema_version(reel, NULL) != 0;
    rw_reel_close(&reel);
    return exists;
}

const char *rw_reel_path(const rw_reel *reel)
{
    return reel->path;
}

char *rw_reel_file(const rw_reel *reel, const char *relative)
{
    return g_build_filename(reel->path, relative, NULL);
}

bool rw_reel_begin(rw_reel *reel, GError **error)
{
    return rw_db_exec(reel, "BEGIN IMMEDIATE", error);
}

bool rw_reel_commit(rw_reel *reel, GError **error)
{
    return rw_db_exec(reel, "COMMIT", error);
}

void rw_reel_rollback(rw_reel *reel)
{
    if (!sqlite3_get_autocommit(reel->db))
        rw_db_exec(reel, "ROLLBACK", NULL);
}

char *rw_reel_get_meta(rw_reel *reel, const char *key, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(reel, "SELECT value FROM meta WHERE key=?1", error);
    if (!s)
        return NULL;
    rw_db_bind_text(s, 1, key);
    char *value = rw_db_step(reel, s, error) == SQLITE_ROW ? rw_db_text(s, 0) : NULL;
    sqlite3_reset(s);
    return value;
}

bool rw_reel_put_meta(rw_reel *reel, const char *key, const char *value, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(reel, "INSERT OR REPLACE INTO meta VALUES (?1, ?2)", error);
    if (!s)
        return false;
    rw_db_bind_text(s, 1, key);
    rw_db_bind_text(s, 2, value);
    return rw_db_run(reel, s, error);
}

const rw_gauge *rw_reel_gauge(rw_reel *reel, GError **error)
{
    g_autoptr(GError) inner = NULL;
    g_autofree char *name = rw_reel_get_meta(reel, "gauge", &inner);
    const rw_gauge *gauge = name ? rw_gauge_find(name) : NULL;
    if (inner)
        g_propagate_error(error, g_steal_pointer(&inner));
    else if (!gauge)
        g_set_error(error, RW_ERROR, RW_ERROR_DAMAGED,
                    "%s/reel.db names the gauge \"%s\", which this version does not know.",
                    reel->path, name ? name : "");
    return gauge;
}

bool rw_reel_fps(rw_reel *reel, rw_rational *fps, GError **error)
{
    g_autoptr(GError) inner = NULL;
    g_autofree char *text = rw_reel_get_meta(reel, "fps", &inner);
    if (inner) {
        g_propagate_error(error, g_steal_pointer(&inner));
        return false;
    }
    return rw_rational_parse(text ? text : "", fps, error);
}
