/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Undo without end. The history is only ever added to: taking a step back is a step of its own that
 * says which one it takes back, and doing it again takes back the taking back. What can be undone
 * and redone follows from reading the history from the start, so that it is the same for every
 * program that has the reel open, today and after any crash.
 */
#include "reel/db.h"

void rw_choice_row_clear(rw_choice_row *row)
{
    g_free(row->scope);
    g_free(row->key);
    g_free(row->value);
    *row = (rw_choice_row){0};
}

void rw_choice_change_clear(rw_choice_change *change)
{
    g_free(change->at);
    g_free(change->scope);
    g_free(change->key);
    g_free(change->before);
    g_free(change->after);
    *change = (rw_choice_change){0};
}

static void read_choice(sqlite3_stmt *s, void *row)
{
    *(rw_choice_row *)row = (rw_choice_row){rw_db_text(s, 0), rw_db_text(s, 1), rw_db_text(s, 2)};
}

GArray *rw_reel_choices(rw_reel *reel, GError **error)
{
    sqlite3_stmt *s =
        rw_db_prepare(reel, "SELECT scope, key, value FROM choice ORDER BY scope, key", error);
    return rw_db_rows(reel, s, sizeof(rw_choice_row), read_choice,
                      (GDestroyNotify)rw_choice_row_clear, error);
}

int64_t rw_reel_choice_revision(rw_reel *reel, GError **error)
{
    return rw_db_number(
        reel, rw_db_prepare(reel, "SELECT coalesce(max(id), 0) FROM choice_history", error), error);
}

static void read_change(sqlite3_stmt *s, void *row)
{
    *(rw_choice_change *)row =
        (rw_choice_change){sqlite3_column_int64(s, 0), sqlite3_column_int64(s, 1),
                           sqlite3_column_int64(s, 2), rw_db_text(s, 3),
                           rw_db_text(s, 4),           rw_db_text(s, 5),
                           rw_db_text(s, 6),           rw_db_text(s, 7)};
}

GArray *rw_reel_choice_changes(rw_reel *reel, int64_t after, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(
        reel,
        "SELECT id, coalesce(step, id), coalesce(undoes, 0), at, scope, key, old, new "
        "FROM choice_history WHERE id > ?1 ORDER BY id",
        error);
    if (s)
        sqlite3_bind_int64(s, 1, after);
    return rw_db_rows(reel, s, sizeof(rw_choice_change), read_change,
                      (GDestroyNotify)rw_choice_change_clear, error);
}

/* Marks the rows after `revision` as one step, which is named by the first of them; *step 0 when
 * there are none. */
static bool close_step(rw_reel *reel, int64_t revision, int64_t undoes, int64_t *step,
                       GError **error)
{
    sqlite3_stmt *s =
        rw_db_prepare(reel, "SELECT coalesce(min(id), 0) FROM choice_history WHERE id > ?1", error);
    if (!s)
        return false;
    sqlite3_bind_int64(s, 1, revision);
    *step = rw_db_number(reel, s, error);
    if (*step < 0)
        return false;
    s = rw_db_prepare(reel, "UPDATE choice_history SET step=?2, undoes=?3 WHERE id > ?1", error);
    if (!s)
        return false;
    sqlite3_bind_int64(s, 1, revision);
    sqlite3_bind_int64(s, 2, *step);
    if (undoes)
        sqlite3_bind_int64(s, 3, undoes);
    return rw_db_run(reel, s, error);
}

static bool put_changed(rw_reel *reel, const rw_choice_row *row, GError **error)
{
    g_autoptr(GError) inner = NULL;
    g_autofree char *now = rw_reel_get_choice(reel, row->scope, row->key, &inner);
    if (inner) {
        g_propagate_error(error, g_steal_pointer(&inner));
        return false;
    }
    return g_strcmp0(now, row->value) == 0 ||
           rw_reel_put_choice(reel, row->scope, row->key, row->value, error);
}

/* The write lock comes first, so that the revision is still the newest when the rows are added. */
static bool begin(rw_reel *reel, bool *own, GError **error)
{
    *own = sqlite3_get_autocommit(reel->db) != 0;
    return *own ? rw_reel_begin(reel, error) : rw_db_savepoint(reel, error);
}

static bool end(rw_reel *reel, bool own, bool ok, GError **error)
{
    if (!own)
        return rw_db_release(reel, ok, error);
    if (ok && rw_reel_commit(reel, error))
        return true;
    rw_reel_rollback(reel);
    return false;
}

bool rw_reel_change_choices(rw_reel *reel, const rw_choice_row *rows, size_t count, int64_t *step,
                            GError **error)
{
    int64_t made = 0;
    bool own;
    if (!begin(reel, &own, error))
        return false;
    int64_t revision = rw_reel_choice_revision(reel, error);
    bool ok = revision >= 0;
    for (size_t i = 0; ok && i < count; i++)
        ok = put_changed(reel, &rows[i], error);
    ok = ok && close_step(reel, revision, 0, &made, error);
    if (step)
        *step = made;
    return end(reel, own, ok, error);
}

/* Two stacks of steps, from the history read forwards. */
static bool read_stacks(rw_reel *reel, GArray *undo, GArray *redo, GError **error)
{
    sqlite3_stmt *s = rw_db_prepare(
        reel,
        "SELECT coalesce(step, id) AS s, coalesce(max(undoes), 0) FROM choice_history "
        "GROUP BY s ORDER BY s",
        error);
    if (!s)
        return false;
    int code;
    while ((code = rw_db_step(reel, s, error)) == SQLITE_ROW) {
        int64_t step = sqlite3_column_int64(s, 0), undoes = sqlite3_column_int64(s, 1);
        bool is_undo = undoes && undo->len && g_array_index(undo, int64_t, undo->len - 1) == undoes;
        bool is_redo = undoes && !is_undo && redo->len &&
                       g_array_index(redo, int64_t, redo->len - 1) == undoes;
        if (is_undo) {
            g_array_set_size(undo, undo->len - 1);
            g_array_append_val(redo, step);
        } else {
            if (is_redo)
                g_array_set_size(redo, redo->len - 1);
            else
                g_array_set_size(redo, 0);
            g_array_append_val(undo, step);
        }
    }
    if (code != SQLITE_DONE)
        return false;
    sqlite3_reset(s);
    return true;
}

static int64_t top(const GArray *stack)
{
    return stack->len ? g_array_index(stack, int64_t, stack->len - 1) : 0;
}

bool rw_reel_undo_state(rw_reel *reel, int64_t *undo, int64_t *redo, GError **error)
{
    g_autoptr(GArray) undos = g_array_new(FALSE, FALSE, sizeof(int64_t));
    g_autoptr(GArray) redos = g_array_new(FALSE, FALSE, sizeof(int64_t));
    if (!read_stacks(reel, undos, redos, error))
        return false;
    *undo = top(undos);
    *redo = top(redos);
    return true;
}

/* Last change first, each put back to what was there before. */
static bool put_back(rw_reel *reel, int64_t step, GError **error)
{
    GArray *changes = rw_reel_choice_changes(reel, step - 1, error);
    if (!changes)
        return false;
    bool ok = true;
    for (guint i = changes->len; ok && i-- > 0;) {
        const rw_choice_change *c = &g_array_index(changes, rw_choice_change, i);
        if (c->step == step)
            ok = rw_reel_put_choice(reel, c->scope, c->key, c->before, error);
    }
    g_array_unref(changes);
    return ok;
}

static bool take_back(rw_reel *reel, bool redo, int64_t expected, int64_t *step, GError **error)
{
    int64_t undo_top, redo_top, revision = -1;
    if (!rw_reel_undo_state(reel, &undo_top, &redo_top, error))
        return false;
    int64_t target = redo ? redo_top : undo_top;
    if (!target || (expected && expected != target)) {
        g_set_error(error, RW_ERROR, RW_ERROR_CONFLICT, "%s: %s", reel->path,
                    target
                        ? "the choices were changed meanwhile; look again."
                        : (redo ? "there is nothing to do again." : "there is nothing to undo."));
        return false;
    }
    revision = rw_reel_choice_revision(reel, error);
    return revision >= 0 && put_back(reel, target, error) &&
           close_step(reel, revision, target, step, error);
}

static bool step_back(rw_reel *reel, bool redo, int64_t expected, int64_t *step, GError **error)
{
    int64_t made = 0;
    bool own;
    if (!begin(reel, &own, error))
        return false;
    bool ok = end(reel, own, take_back(reel, redo, expected, &made, error), error);
    if (ok && step)
        *step = made;
    return ok;
}

bool rw_reel_undo(rw_reel *reel, int64_t expected, int64_t *step, GError **error)
{
    return step_back(reel, false, expected, step, error);
}

bool rw_reel_redo(rw_reel *reel, int64_t expected, int64_t *step, GError **error)
{
    return step_back(reel, true, expected, step, error);
}
