/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The bench's small parts: who may ask, byte ranges, files beneath a folder, JSON, events, choices.
 */
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <glib/gstdio.h>

#include "bench/beneath.h"
#include "bench/catalogue.h"
#include "bench/events.h"
#include "bench/guard.h"
#include "bench/json.h"

static void test_token(void)
{
    g_autofree char *a = rw_guard_token_new(NULL), *b = rw_guard_token_new(NULL);
    g_assert_cmpuint(strlen(a), ==, 32); /* 192 bits, 6 a character */
    g_assert_cmpstr(a, !=, b);
    g_assert_true(g_uri_is_valid(a, G_URI_FLAGS_NONE, NULL) || strspn(a, "-_") < 32);
    for (const char *c = a; *c; c++)
        g_assert_true(g_ascii_isalnum(*c) || *c == '-' || *c == '_');
    g_assert_true(rw_guard_token(a, a));
    g_assert_false(rw_guard_token(b, a));
    g_assert_false(rw_guard_token(NULL, a));
    g_assert_false(rw_guard_token("", a));
    g_autofree char *longer = g_strconcat(a, "x", NULL), *twice = g_strconcat(a, a, NULL);
    g_assert_false(rw_guard_token(longer, a));
    g_assert_false(rw_guard_token(twice, a));
    longer[31] = '\0';
    g_assert_false(rw_guard_token(longer, a));
}

/* RFC 9112, 3.2: Host is the authority, the usual port may be left out. [M] */
static void test_host(void)
{
    g_assert_true(rw_guard_host("127.0.0.1:80", 80));
    g_assert_true(rw_guard_host("127.0.0.1", 80));
    g_assert_true(rw_guard_host("LocalHost:7318", 7318));
    g_assert_false(rw_guard_host("127.0.0.1", 7318));
    g_assert_false(rw_guard_host("127.0.0.1:73180", 7318));
    g_assert_false(rw_guard_host(NULL, 7318));
    g_assert_false(rw_guard_host("127.0.0.1:7318 ", 7318));
    g_assert_true(rw_guard_origin(NULL, 7318));
    g_assert_true(rw_guard_origin("http://localhost:7318", 7318));
    g_assert_false(rw_guard_origin("http://localhost:7318/", 7318));
    g_assert_false(rw_guard_origin("null", 7318));
}

/* RFC 3986, 2.1 for escapes. [M] */
static void test_split(void)
{
    static const char *const wrong[] = {"",          "a",        "/%",      "/%2",
                                        "/%00",      "/%2f",     "/a/../b", "/.",
                                        "/%2e%2e/b", "/%ff",     "/a%0ab",  "/a\\b",
                                        "/%5c",      "/%c0%af/", "/%7f",    "/1/2/3/4/5/6/7/8/9"};
    for (size_t i = 0; i < G_N_ELEMENTS(wrong); i++) {
        char **parts = rw_guard_split(wrong[i]);
        g_assert_true(parts == NULL);
    }
    g_auto(GStrv) parts = rw_guard_split("/t/api/reel/Gr%C3%BC%C3%9Fe%20%25/");
    g_assert_cmpuint(g_strv_length(parts), ==, 5);
    g_assert_cmpstr(parts[3], ==, "Gr\303\274\303\237e %");
    g_assert_cmpstr(parts[4], ==, "");
}

/* RFC 9110, 14.1.2. [M] */
static void test_range(void)
{
    static const struct {
        const char *header;
        bool part;
        int64_t first, last;
    } cases[] = {{"bytes=0-499", true, 0, 499},
                 {"bytes=500-", true, 500, 999},
                 {"bytes=-1", true, 999, 999},
                 {"bytes=-5000", true, 0, 999},
                 {"bytes=990-5000", true, 990, 999},
                 {"bytes=5-4", false, 0, 0},
                 {"bytes=-", false, 0, 0},
                 {"bytes=", false, 0, 0},
                 {"bytes=1-2,4-5", false, 0, 0},
                 {"bytes=1-2-3", false, 0, 0},
                 {"bytes= 1-2", false, 0, 0},
                 {"Bytes=1-2", false, 0, 0},
                 {NULL, false, 0, 0}};
    for (size_t i = 0; i < G_N_ELEMENTS(cases); i++) {
        int64_t first = -1, last = -1;
        g_assert_cmpint(rw_guard_range(cases[i].header, 1000, &first, &last), ==, cases[i].part);
        if (cases[i].part) {
            g_assert_cmpint(first, ==, cases[i].first);
            g_assert_cmpint(last, ==, cases[i].last);
        }
    }
    int64_t first = 0, last = 0;
    g_assert_true(rw_guard_range("bytes=1000-", 1000, &first, &last));
    g_assert_cmpint(first, >, last);
    g_assert_true(rw_guard_range("bytes=-0", 1000, &first, &last));
    g_assert_cmpint(first, >, last);
    g_assert_true(rw_guard_range("bytes=0-", 0, &first, &last));
    g_assert_cmpint(first, >, last);
}

static bool opens(int folder, const char *path)
{
    int fd = rw_beneath_open(folder, path, O_RDONLY, NULL);
    if (fd >= 0)
        close(fd);
    return fd >= 0;
}

static void test_beneath(void)
{
    g_autofree char *top = g_dir_make_tmp("rw-beneath-XXXXXX", NULL);
    g_autofree char *inside = g_build_filename(top, "inside", NULL);
    g_autofree char *deep = g_build_filename(inside, "a", "b", NULL);
    g_autofree char *file = g_build_filename(deep, "file", NULL);
    g_autofree char *secret = g_build_filename(top, "secret", NULL);
    g_autofree char *link = g_build_filename(inside, "link", NULL);
    g_autofree char *folder_link = g_build_filename(inside, "up", NULL);
    g_autofree char *inner_link = g_build_filename(inside, "inner", NULL);
    g_autofree char *pipe = g_build_filename(inside, "pipe", NULL);
    g_assert_cmpint(g_mkdir_with_parents(deep, 0700), ==, 0);
    g_assert_true(g_file_set_contents(file, "12345", -1, NULL));
    g_assert_true(g_file_set_contents(secret, "x", -1, NULL));
    g_assert_cmpint(symlink(secret, link), ==, 0);
    g_assert_cmpint(symlink(top, folder_link), ==, 0);
    g_assert_cmpint(symlink("a/b/file", inner_link), ==, 0);
    g_assert_cmpint(mkfifo(pipe, 0600), ==, 0);
    int folder = rw_beneath_folder(inside, NULL);
    g_assert_cmpint(folder, >=, 0);
    g_assert_true(opens(folder, "a/b/file"));
    g_assert_true(opens(folder, ""));
    g_assert_true(rw_beneath_has_folder(folder, "a/b"));
    g_assert_false(rw_beneath_has_file(folder, "a/b"));
    g_assert_true(rw_beneath_has_file(folder, "a/b/file"));
    g_assert_false(rw_beneath_has_file(folder, "link"));
    g_assert_false(rw_beneath_has_file(folder, "up/secret"));
    g_assert_false(rw_beneath_has_file(folder, "../secret"));
    g_assert_false(rw_beneath_has_folder(folder, "up"));
    g_assert_false(rw_beneath_has_folder(folder, ".."));
    static const char *const wrong[] = {
        "../secret", "a/../a/b/file", "./a",     "/a",
        "a//b/file", "a/b/",          "link",    "up/secret",
        "up",        "inner",         "pipe",    "..",
        ".",         "a/b/file/x",    "nothing", "a/b/../../../secret"};
    for (size_t i = 0; i < G_N_ELEMENTS(wrong); i++)
        g_assert_false(opens(folder, wrong[i]));
    g_assert_cmpint(rw_beneath_size(folder, "a"), ==, 5);
    g_assert_cmpint(rw_beneath_size(folder, ""), ==, 5); /* links are not followed */
    close(folder);
    const char *argv[] = {"rm", "-rf", top, NULL};
    g_spawn_sync(NULL, (char **)(void *)argv, NULL, G_SPAWN_SEARCH_PATH, NULL, NULL, NULL, NULL,
                 NULL, NULL);
}

/* RFC 8259, read back by the library's own reader. */
static void test_json(void)
{
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_doc_text(j, "text", "a\"\\\n\x01\x7f</script>\xff");
    rw_doc_text(j, "none", NULL);
    rw_doc_number(j, "third", 1.0 / 3);
    rw_doc_number(j, "inf", 1 / (double)g_random_int_range(0, 1));
    rw_doc_open(j, "list", '[');
    rw_doc_whole(j, NULL, INT64_MIN);
    rw_doc_flag(j, NULL, true);
    rw_doc_raw(j, NULL, "{\"a\": [1, 2]}");
    rw_doc_raw(j, NULL, "{broken");
    rw_doc_close(j);
    rw_doc_close(j);
    g_autofree char *text = rw_doc_take(&j);
    g_autoptr(GError) error = NULL;
    JsonNode *root = rw_body_parse(text, strlen(text), &error);
    g_assert_no_error(error);
    JsonObject *o = json_node_get_object(root);
    g_assert_cmpstr(rw_body_get_text(o, "text"), ==, "a\"\\\n\x01\x7f</script>\357\277\275");
    double third = 0;
    g_assert_true(rw_body_get_number(o, "third", &third) && third == 1.0 / 3);
    g_assert_false(rw_body_get_number(o, "inf", &third));
    JsonArray *list = rw_body_get_array(o, "list");
    g_assert_cmpuint(json_array_get_length(list), ==, 4);
    g_assert_cmpint(json_array_get_int_element(list, 0), ==, INT64_MIN);
    g_assert_true(json_array_get_null_element(list, 3));
    int64_t whole;
    g_assert_false(rw_body_get_whole(o, "third", &whole));
    g_assert_null(rw_body_get_text(o, "list"));
    json_node_unref(root);
    g_autofree char *deep = g_strnfill(5000, '[');
    g_assert_null(rw_body_parse(deep, 5000, NULL));
    g_assert_null(rw_body_parse("[]", 2, NULL));
    g_assert_null(rw_body_parse("", 0, NULL));
    g_assert_null(rw_body_parse(NULL, 0, NULL));
}

static int woken, slept;
static void on_wake(void *data)
{
    (void)data;
    woken++;
}
static void on_sleep(void *data)
{
    (void)data;
    slept++;
}

static void test_events(void)
{
    char text[200000];
    rw_events *events = rw_events_new();
    rw_listener *a = rw_events_listen(events, on_wake, NULL);
    g_assert_cmpint(rw_events_read(a, text, sizeof text, on_sleep), >, 0); /* the greeting */
    g_assert_cmpint(rw_events_read(a, text, sizeof text, on_sleep), ==, 0);
    g_assert_cmpint(slept, ==, 1);
    rw_events_send(events, "job", "{\"n\":1}");
    rw_events_send(events, "job", "{\"n\":2}");
    g_assert_cmpint(woken, ==, 1); /* it is awake: no second call */
    ssize_t n = rw_events_read(a, text, 10, on_sleep);
    g_assert_cmpint(n, ==, 10);
    n += rw_events_read(a, text + n, sizeof text - (size_t)n, on_sleep);
    text[n] = '\0';
    g_assert_cmpstr(text, ==, "event: job\ndata: {\"n\":1}\n\nevent: job\ndata: {\"n\":2}\n\n");
    /* one that does not read is told to look at everything instead of being kept for */
    for (int i = 0; i < 20000; i++)
        rw_events_send(events, "job", "{\"some\":\"data\"}");
    n = rw_events_read(a, text, sizeof text - 1, on_sleep);
    text[n] = '\0';
    g_assert_cmpint(n, <, 70000);
    g_assert_true(g_str_has_prefix(text, "event: resync\n"));
    rw_events_close(events);
    g_assert_cmpint(rw_events_read(a, text, sizeof text, on_sleep), ==, -1);
    g_assert_null(rw_events_listen(events, on_wake, NULL));
    rw_events_leave(a);
    rw_events_free(&events);
}

static void test_catalogue(void)
{
    static const char *const good[][3] = {
        {"reel", "way_up", "-1"},      {"reel", "mirror", "on"},
        {"reel", "missing", "blend"},  {"reel", "crop.x", "0.25"},
        {"scene:7", "crop.y", "-1"},   {"reel", "fps", "50/3"},
        {"reel", "fps", NULL},         {"scene:7", "crop.x", NULL},
        {"reel", "survey.gap", "1.5"}, {"frame:3", "registration", "80 0 1 0 80 2"}};
    static const char *const bad[][3] = {{"reel", "way_up", "up"},
                                         {"scene:7", "mirror", "on"},
                                         {"reel", "crop.x", "21"},
                                         {"reel", "crop.x", "1 "},
                                         {"scene:07x", "crop.y", "-1"},
                                         {"reel", "fps", "0"},
                                         {"scene:1", "fps", "18"},
                                         {"scene:1", "survey.gap", "1.5"},
                                         {"reel", "survey.gap", "99"},
                                         {"reel", "registration", "80 0 1 0 80 2"},
                                         {"reel", "", NULL},
                                         {"reel", "crop.", "1"},
                                         {"reel", ".x", "1"},
                                         {"frame:", "registration", NULL}};
    g_autoptr(GError) error = NULL;
    for (size_t i = 0; i < G_N_ELEMENTS(good); i++) {
        g_assert_true(rw_catalogue_check(good[i][0], good[i][1], good[i][2], &error));
        g_assert_no_error(error);
    }
    for (size_t i = 0; i < G_N_ELEMENTS(bad); i++) {
        g_assert_false(rw_catalogue_check(bad[i][0], bad[i][1], bad[i][2], &error));
        g_assert_error(error, RW_ERROR, RW_ERROR_USAGE);
        g_clear_error(&error);
    }
    /* whatever a group offers as its default must be let in */
    rw_doc *j = rw_doc_new();
    rw_doc_open(j, NULL, '{');
    rw_catalogue_write(j, "groups");
    rw_doc_close(j);
    g_autofree char *text = rw_doc_take(&j);
    JsonNode *root = json_from_string(text, NULL);
    JsonArray *groups = rw_body_get_array(json_node_get_object(root), "groups");
    int params = 0;
    for (guint g = 0; g < json_array_get_length(groups); g++) {
        JsonArray *list = rw_body_get_array(json_array_get_object_element(groups, g), "params");
        for (guint p = 0; p < json_array_get_length(list); p++, params++) {
            JsonObject *param = json_array_get_object_element(list, p);
            JsonArray *words = rw_body_get_array(param, "words");
            double initial = json_object_get_double_member(param, "initial");
            const char *kind = rw_body_get_text(param, "kind");
            char digits[G_ASCII_DTOSTR_BUF_SIZE];
            const char *value = words ? json_array_get_string_element(words, (guint)initial)
                                : g_str_equal(kind, "switch")
                                    ? (initial != 0 ? "on" : "off")
                                    : g_ascii_dtostr(digits, sizeof digits, initial);
            rw_catalogue_check("reel", rw_body_get_text(param, "key"), value, &error);
            g_assert_no_error(error);
        }
    }
    g_assert_cmpint(params, >, 10);
    json_node_unref(root);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/bench/token", test_token);
    g_test_add_func("/bench/host", test_host);
    g_test_add_func("/bench/split", test_split);
    g_test_add_func("/bench/range", test_range);
    g_test_add_func("/bench/beneath", test_beneath);
    g_test_add_func("/bench/json", test_json);
    g_test_add_func("/bench/events", test_events);
    g_test_add_func("/bench/catalogue", test_catalogue);
    return g_test_run();
}
