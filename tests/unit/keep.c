/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Taking cards in, below the command line: hashes, proved copies, what belongs together on a card,
 * and an intake that dies before any one of its steps to the disk. tests/cli/intake.py has the
 * rest.
 */
#include <errno.h>
#include <fcntl.h>
#include <stdatomic.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <sqlite3.h>

#include <glib/gstdio.h>

#include "keep/card.h"
#include "keep/copy.h"
#include "stills.h"

/* ---- faults on demand: these stand in for the C library's own, also below GLib and SQLite ---- */

#define STANDS_IN __attribute__((visibility("default")))

static struct {
    int die_at;       /* ends the process before this step to the disk, 0 never */
    atomic_int steps; /* to the disk so far */
    bool rot;         /* what was written changes before it is read back */
    int fsync_errno;  /* fsync fails with it, 0 works */
} fault;

static void step(void)
{
    if (atomic_fetch_add(&fault.steps, 1) + 1 == fault.die_at)
        _exit(77);
}

STANDS_IN int fsync(int fd)
{
    step();
    if (fault.fsync_errno) {
        errno = fault.fsync_errno;
        return -1;
    }
    (void)fd; /* a process that dies loses nothing that it wrote; only a machine does */
    return 0;
}

STANDS_IN int fdatasync(int fd)
{
    step();
    (void)fd;
    return 0;
}

STANDS_IN int posix_fadvise(int fd, off_t at, off_t length, int advice)
{
    (void)at;
    (void)length;
    char byte;
    if (advice == POSIX_FADV_DONTNEED && fault.rot && pread(fd, &byte, 1, 100) == 1) {
        byte = (char)(byte ^ 4);
        g_assert_cmpint(pwrite(fd, &byte, 1, 100), ==, 1);
    }
    return 0;
}

STANDS_IN int rename(const char *from, const char *to)
{
    step();
    return renameat(AT_FDCWD, from, AT_FDCWD, to);
}

/* ---- a folder for each test ---- */

typedef struct fixture {
    char *folder;
    GError *error;
} fixture;

static void remove_tree(const char *path)
{
    g_autoptr(GDir) dir = g_dir_open(path, 0, NULL);
    const char *name;
    while (dir && (name = g_dir_read_name(dir))) {
        g_autofree char *inner = g_build_filename(path, name, NULL);
        if (g_file_test(inner, G_FILE_TEST_IS_DIR) && !g_file_test(inner, G_FILE_TEST_IS_SYMLINK))
            remove_tree(inner);
        else
            g_unlink(inner);
    }
    g_rmdir(path);
}

static void set_up(fixture *f, gconstpointer data)
{
    (void)data;
    memset(&fault, 0, sizeof fault);
    f->folder = g_dir_make_tmp("keep-XXXXXX", NULL);
    g_assert_cmpint(g_chdir(f->folder), ==, 0);
    f->error = NULL;
}

static void tear_down(fixture *f, gconstpointer data)
{
    (void)data;
    memset(&fault, 0, sizeof fault);
    g_clear_error(&f->error);
    g_assert_cmpint(g_chdir("/"), ==, 0);
    remove_tree(f->folder);
    g_free(f->folder);
}

static void put(const char *path, const void *data, size_t bytes)
{
    g_autofree char *folder = g_path_get_dirname(path);
    g_mkdir_with_parents(folder, 0777);
    FILE *out = g_fopen(path, "wb");
    g_assert_nonnull(out);
    g_assert_cmpuint(fwrite(data, 1, bytes, out), ==, bytes);
    fclose(out);
}

static void put_text(const char *path, const char *text)
{
    put(path, text, strlen(text));
}

/* A small still taken i seconds after the start. */
static void put_still(const char *path, int i, const char *serial)
{
    char date[20], subsec[4];
    made_time(i, date, subsec);
    made_still m = {.width = 40,
                    .height = 24,
                    .components = 3,
                    .seed = i,
                    .quality = 50 + i % 45,
                    .time = date,
                    .subsec = subsec,
                    .make = "Workshop",
                    .serial = serial};
    unsigned long bytes;
    unsigned char *data = made_jpeg(&m, &bytes);
    put(path, data, bytes);
    free(data);
}

/* ---- hashes and copies ---- */

static void test_sha256(fixture *f, gconstpointer data)
{
    (void)data;
    g_autofree char *million = g_strnfill(1000000, 'a');
    /* FIPS 180-4's examples, as NIST's "Examples with Intermediate Values" and CAVP give them */
    const struct {
        const char *text, *hash;
    } rows[] = {
        {"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
        {"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
        {"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
         "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
        {million, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"},
    };
    for (size_t i = 0; i < G_N_ELEMENTS(rows); i++) {
        char hash[65];
        put_text("text", rows[i].text);
        g_assert_true(rw_file_sha256("text", hash, &f->error));
        g_assert_cmpstr(hash, ==, rows[i].hash);
        rw_copy copy;
        g_assert_true(rw_copy_verified("text", "copy", RW_SHA256, NULL, &copy, &f->error));
        g_assert_cmpstr(copy.sha256, ==, rows[i].hash);
        g_assert_cmpint(copy.bytes, ==, (int64_t)strlen(rows[i].text));
    }
}

static void assert_same_file(const char *a, const char *b)
{
    g_autofree char *x = NULL, *y = NULL;
    gsize nx, ny;
    g_assert_true(g_file_get_contents(a, &x, &nx, NULL));
    g_assert_true(g_file_get_contents(b, &y, &ny, NULL));
    g_assert_cmpuint(nx, ==, ny);
    g_assert_true(memcmp(x, y, nx) == 0);
}

static void test_copy(fixture *f, gconstpointer data)
{
    (void)data;
    enum { BLOCK = 1 << 20 }; /* of copy.c: sizes round its edges */
    static const size_t sizes[] = {0, 1, 4095, BLOCK - 1, BLOCK, BLOCK + 1, 2 * BLOCK + 17};
    g_autofree uint8_t *bytes = g_malloc(2 * BLOCK + 17);
    for (size_t i = 0; i < 2 * BLOCK + 17; i++)
        bytes[i] = (uint8_t)(i * 31 + i / 251);
    for (size_t i = 0; i < G_N_ELEMENTS(sizes); i++) {
        rw_copy copy;
        struct timespec times[2] = {{.tv_sec = 1000000000, .tv_nsec = 5000},
                                    {.tv_sec = 1000000000, .tv_nsec = 5000}};
        struct stat s;
        put("from", bytes, sizes[i]);
        utimensat(AT_FDCWD, "from", times, 0);
        g_assert_true(rw_copy_verified("from", "to", RW_SHA256, NULL, &copy, &f->error));
        g_assert_no_error(f->error);
        assert_same_file("from", "to");
        g_assert_cmpint(stat("to", &s), ==, 0);
        g_assert_cmpint(s.st_mtim.tv_sec, ==, 1000000000);
    }
}

static bool at_once(void *user)
{
    (void)user;
    return true;
}

static void test_copy_faults(fixture *f, gconstpointer data)
{
    (void)data;
    rw_copy copy;
    g_autofree char *text = g_strnfill(5000, 'x');
    put_text("from", text);

    g_assert_false(rw_copy_verified("absent", "to", RW_SHA256, NULL, &copy, &f->error));
    g_assert_true(copy.source_failed);
    g_clear_error(&f->error);
    g_assert_false(rw_copy_verified("from", "absent/to", RW_SHA256, NULL, &copy, &f->error));
    g_assert_false(copy.source_failed);
    g_assert_nonnull(strstr(f->error->message, "absent/to"));
    g_clear_error(&f->error);

    fault.rot = true;
    g_assert_false(rw_copy_verified("from", "to", RW_SHA256, NULL, &copy, &f->error));
    g_assert_false(copy.source_failed);
    g_assert_error(f->error, RW_ERROR, RW_ERROR_IO);
    g_assert_nonnull(strstr(f->error->message, "does not read back"));
    g_clear_error(&f->error);
    fault.rot = false;

    fault.fsync_errno = ENOSPC;
    g_assert_false(rw_copy_verified("from", "to", RW_SHA256, NULL, &copy, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_NO_SPACE);
    g_clear_error(&f->error);
    fault.fsync_errno = 0;

    rw_stop stop = {at_once, NULL};
    g_assert_false(rw_copy_verified("from", "to", RW_SHA256, &stop, &copy, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_CANCELLED);
    g_clear_error(&f->error);
    g_assert_false(g_file_test("to", G_FILE_TEST_EXISTS)); /* no failure leaves anything */
    g_assert_true(rw_copy_verified("from", "to", RW_SHA256, NULL, &copy, &f->error));
}

/* ---- what lies on a card ---- */

static const rw_card_file *find(const GArray *files, const char *relative)
{
    for (guint i = 0; i < files->len; i++)
        if (g_str_equal(g_array_index(files, rw_card_file, i).relative, relative))
            return &g_array_index(files, rw_card_file, i);
    return NULL;
}

static void test_scan(fixture *f, gconstpointer data)
{
    (void)data;
    static const char *const names[] = {"DCIM/100RWDMO/RWD_0001.JPG",
                                        "DCIM/100RWDMO/RWD_0001.RAW",
                                        "DCIM/100RWDMO/rwd_0001.xmp",
                                        "DCIM/100RWDMO/RWD_0002.TIF",
                                        "DCIM/100RWDMO/RWD_0002.JPG",
                                        "DCIM/100RWDMO/RWD_0003.MOV",
                                        "DCIM/100RWDMO/index.dat",
                                        "DCIM/101RWDMO/RWD_0001.RAW",
                                        "top.png",
                                        ".hidden/RWD_0009.JPG",
                                        "DCIM/100RWDMO/._RWD_0001.JPG",
                                        "$BIN/RWD_0008.JPG",
                                        "System Volume Information/x.jpg"};
    for (size_t i = 0; i < G_N_ELEMENTS(names); i++) {
        g_autofree char *path = g_build_filename("card", names[i], NULL);
        put_text(path, "x");
    }
    g_autofree char *large = g_strnfill(1 << 20, 'x');
    put_text("card/PRIVATE/sound", large);
    g_assert_cmpint(symlink("/", "card/loop"), ==, 0);
    const char *cards[] = {"card"};
    g_autoptr(GArray) files = rw_card_scan(cards, 1, &f->error);
    g_assert_no_error(f->error);
    g_assert_cmpuint(files->len, ==, 10);
    const struct {
        const char *name;
        rw_card_kind kind;
        const char *still;
    } want[] = {
        {"DCIM/100RWDMO/RWD_0001.JPG", RW_CARD_STILL, NULL},
        {"DCIM/100RWDMO/RWD_0001.RAW", RW_CARD_COMPANION, "DCIM/100RWDMO/RWD_0001.JPG"},
        {"DCIM/100RWDMO/rwd_0001.xmp", RW_CARD_COMPANION, "DCIM/100RWDMO/RWD_0001.JPG"},
        {"DCIM/100RWDMO/RWD_0002.TIF", RW_CARD_STILL, NULL},
        {"DCIM/100RWDMO/RWD_0002.JPG", RW_CARD_COMPANION, "DCIM/100RWDMO/RWD_0002.TIF"},
        {"DCIM/100RWDMO/RWD_0003.MOV", RW_CARD_OTHER, NULL},
        {"DCIM/100RWDMO/index.dat", RW_CARD_HOUSEKEEPING, NULL},
        {"DCIM/101RWDMO/RWD_0001.RAW", RW_CARD_OTHER, NULL}, /* of another folder */
        {"PRIVATE/sound", RW_CARD_OTHER, NULL},
        {"top.png", RW_CARD_STILL, NULL},
    };
    for (size_t i = 0; i < G_N_ELEMENTS(want); i++) {
        const rw_card_file *file = find(files, want[i].name);
        g_assert_nonnull(file);
        g_assert_cmpint(file->kind, ==, want[i].kind);
        if (want[i].still)
            g_assert_cmpstr(g_array_index(files, rw_card_file, file->still).relative, ==,
                            want[i].still);
    }
    const char *absent[] = {"absent"};
    g_assert_null(rw_card_scan(absent, 1, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_IO);
}

/* ---- shoots ---- */

/* time -1: none. width 0: nothing could be read. */
static void add_file(GArray *files, int number, double time, const char *serial, int width)
{
    rw_card_file f = {.kind = RW_CARD_STILL,
                      .source = g_strdup_printf("card/DCIM/100RWDMO/RWD_%04d.JPG", number),
                      .bytes = 100,
                      .shoot = -1};
    f.relative = f.source + 5;
    f.info.width = width;
    f.info.height = width * 2 / 3;
    f.info.has_time = time >= 0;
    f.info.time_us = time >= 0 ? (int64_t)(time * 1e6) : 0;
    if (serial) {
        g_strlcpy(f.info.serial, serial, sizeof f.info.serial);
        g_strlcpy(f.info.make, "Workshop", sizeof f.info.make);
    }
    g_array_append_val(files, f);
}

static void clear_file(rw_card_file *f)
{
    g_free(f->source);
}

static GArray *new_files(void)
{
    GArray *files = g_array_new(FALSE, TRUE, sizeof(rw_card_file));
    g_array_set_clear_func(files, (GDestroyNotify)clear_file);
    return files;
}

/* "3 2": sizes of the shoots in their order. */
static char *sizes_of(GArray *files, int64_t since, int64_t until)
{
    g_autoptr(GArray) shoots = rw_card_shoots(files, since, until);
    GString *text = g_string_new(NULL);
    for (guint i = 0; i < shoots->len; i++)
        g_string_append_printf(text, "%s%" G_GSIZE_FORMAT, i ? " " : "",
                               g_array_index(shoots, rw_shoot, i).stills);
    size_t counted = 0;
    for (guint i = 0; i < files->len; i++)
        counted += g_array_index(files, rw_card_file, i).shoot >= 0 ? 1 : 0;
    for (guint i = 0; i < shoots->len; i++)
        counted -= g_array_index(shoots, rw_shoot, i).stills;
    g_assert_cmpuint(counted, ==, 0);
    return g_string_free(text, FALSE);
}

static void expect_shoots(GArray *files, const char *want)
{
    g_autofree char *got = sizes_of(files, INT64_MIN, INT64_MAX);
    g_assert_cmpstr(got, ==, want);
    g_array_unref(files);
}

static void test_shoots(fixture *f, gconstpointer data)
{
    (void)f;
    (void)data;
    GArray *files = new_files(); /* one every 0.4 s, and a pause of 15 minutes: one shoot */
    for (int i = 0; i < 60; i++)
        add_file(files, i + 1, i * 0.4 + (i >= 30 ? 900 : 0), "1", 6000);
    expect_shoots(files, "60");

    files = new_files(); /* a pause of 25 minutes: two */
    for (int i = 0; i < 60; i++)
        add_file(files, i + 1, i * 0.4 + (i >= 25 ? 1500 : 0), "1", 6000);
    expect_shoots(files, "25 35");

    files =
        new_files(); /* one still a minute by hand: a pause of two hours is not 200 times that */
    for (int i = 0; i < 60; i++)
        add_file(files, i + 1, i * 60 + (i >= 30 ? 7200 : 0), "1", 6000);
    expect_shoots(files, "60");

    files = new_files(); /* another serial number, another size */
    for (int i = 0; i < 30; i++)
        add_file(files, i + 1, i, i % 10 == 5 ? "2" : "1", i == 20 ? 3000 : 6000);
    expect_shoots(files, "26 3 1");

    files = new_files(); /* unreadable ones and ones without a word go with their neighbours */
    for (int i = 0; i < 60; i++)
        add_file(files, i + 1, i == 0 || i == 40 || i == 50 ? -1 : i * 0.4 + (i >= 25 ? 1500 : 0),
                 i == 0 || i == 40 || i == 50 ? NULL : "1", i == 0 || i == 40 ? 0 : 6000);
    expect_shoots(files, "25 35");

    files = new_files(); /* nobody says a word: one shoot of each size, the unreadable one in it */
    for (int i = 0; i < 20; i++)
        add_file(files, i + 1, -1, NULL, i == 7 ? 0 : i < 15 ? 6000 : 3000);
    expect_shoots(files, "15 5");

    files = new_files();
    for (int i = 0; i < 20; i++)
        add_file(files, i + 1, i == 12 ? -1 : i, i == 12 ? NULL : "1", 6000);
    g_autofree char *within =
        sizes_of(files, 5000000, 14000000); /* 5..14 s, 12 with its neighbour */
    g_assert_cmpstr(within, ==, "10");
    g_array_unref(files);
}

/* ---- whole intakes ---- */

static rw_intake_options plain_options(void)
{
    rw_intake_options options = RW_INTAKE_DEFAULTS;
    return options;
}

static bool take(const char *card, const char *reel, const rw_intake_options *options,
                 rw_intake_summary *summary, GError **error)
{
    return rw_intake(&card, 1, reel, options, summary, error);
}

typedef struct matcher {
    int calls, batch;
    bool fail;
} matcher;

static bool match(rw_reel *reel, int batch, void *user, GError **error)
{
    matcher *m = user;
    m->calls++;
    m->batch = batch;
    if (m->fail) {
        g_set_error(error, RW_ERROR, RW_ERROR_FAILED, "No match today.");
        return false;
    }
    g_autoptr(GArray) ids = rw_intake_batch_stills(reel, batch, error);
    g_assert_cmpuint(ids->len, ==, 2);
    /* the first replaces what frame 1 shows */
    rw_frame_row row;
    g_assert_true(rw_reel_get_frame(reel, 1, &row, error));
    row.replaced = row.still;
    row.still = g_array_index(ids, int64_t, 0);
    return rw_reel_put_frame(reel, &row, error);
}

static void test_match(fixture *f, gconstpointer data)
{
    (void)data;
    matcher m = {0};
    rw_intake_options options = plain_options();
    rw_intake_summary s;
    options.match = match;
    options.user = &m;
    for (int i = 1; i <= 4; i++) {
        g_autofree char *path = g_strdup_printf("card/DCIM/100RWDMO/RWD_%04d.JPG", i);
        put_still(path, i, "1");
    }
    g_assert_true(take("card", "reel", &options, &s, &f->error));
    rw_intake_summary_clear(&s);
    g_assert_cmpint(m.calls, ==, 0); /* not surveyed: capture order decides */

    rw_reel *reel = rw_reel_open("reel", &f->error);
    rw_scene_row scene = {.first = 0, .last = 3, .cue = "head"};
    g_assert_true(rw_reel_set_scenes(reel, &scene, 1, &f->error));
    put_still("again/DCIM/100RWDMO/RWD_0001.JPG", 101, "1");
    put_still("again/DCIM/100RWDMO/RWD_0002.JPG", 102, "1");
    m.fail = true;
    g_assert_false(take("again", "reel", &options, &s, &f->error));
    g_assert_error(f->error, RW_ERROR, RW_ERROR_FAILED);
    g_clear_error(&f->error);
    rw_intake_summary_clear(&s);
    m.fail = false; /* nothing is left to copy, the match is made up for */
    g_assert_true(take("again", "reel", &options, &s, &f->error));
    g_assert_no_error(f->error);
    g_assert_cmpint(m.calls, ==, 2);
    g_assert_cmpint(m.batch, ==, 2);
    g_assert_cmpint(s.frames, ==, 4);
    g_assert_cmpint(s.stills, ==, 6);
    g_assert_false(s.waits);
    rw_intake_summary_clear(&s);
    g_assert_true(take("again", "reel", &options, &s, &f->error)); /* and only once */
    g_assert_cmpint(m.calls, ==, 2);
    rw_intake_summary_clear(&s);
    rw_frame_row row;
    g_assert_true(rw_reel_get_frame(reel, 1, &row, &f->error));
    g_assert_cmpint(row.still, ==, 5);
    g_assert_cmpint(row.replaced, ==, 2);
    g_assert_cmpint(rw_intake_batch_of(reel, 5, &f->error), ==, 2);
    g_assert_cmpint(rw_intake_batch_of(reel, 1, &f->error), ==, 1);
    g_assert_cmpint(rw_intake_batch_of(reel, 99, &f->error), ==, 0);
    g_assert_cmpint(rw_intake_last_batch(reel, &f->error), ==, 2);
    rw_reel_close(&reel);
}

/* A disk that loses what it is given must not get away with it. */
static void test_bad_disk(fixture *f, gconstpointer data)
{
    (void)data;
    rw_intake_options options = plain_options();
    rw_intake_summary s;
    put_still("card/DCIM/100RWDMO/RWD_0001.JPG", 1, "1");
    fault.rot = true;
    g_assert_false(take("card", "reel", &options, &s, &f->error));
    g_assert_nonnull(strstr(f->error->message, "does not read back"));
    g_assert_nonnull(strstr(f->error->message, "0 of 1 files are safe"));
    g_assert_false(s.safe_to_wipe);
    rw_intake_summary_clear(&s);
    g_clear_error(&f->error);
    fault.rot = false;
    g_assert_true(take("card", "reel", &options, &s, &f->error));
    g_assert_true(s.safe_to_wipe);
    rw_intake_summary_clear(&s);
}

static void test_names(fixture *f, gconstpointer data)
{
    (void)data;
    rw_intake_options options = plain_options();
    rw_intake_summary s;
    put_still("card/a\nb.jpg", 1, "1"); /* a line break has no place in a list of checksums */
    put_still("card/a\tb.jpg", 2, "1");
    put_still("card/c\\d.jpg", 3, "1");
    put_still("card/\xff.jpg", 4, "1");
    put_still("card/x/Bild.jpg", 5, "1");
    put_still("card/y/x/bild.jpg", 6, "1"); /* a disk may not tell it from the one before */
    g_assert_true(take("card", "reel", &options, &s, &f->error));
    g_assert_no_error(f->error);
    g_assert_cmpint(s.taken, ==, 6);
    rw_intake_summary_clear(&s);
    g_autofree char *list = NULL;
    g_assert_true(g_file_get_contents("reel/stills.sha256", &list, NULL, NULL));
    g_auto(GStrv) lines = g_strsplit(list, "\n", -1);
    static const char *const want[] = {"stills/a_b-2.jpg",  "stills/a_b.jpg",
                                       "stills/c_d.jpg",    "stills/x-2/bild.jpg",
                                       "stills/x/Bild.jpg", "stills/\xef\xbf\xbd.jpg"};
    g_assert_cmpuint(g_strv_length(lines), ==, G_N_ELEMENTS(want) + 1);
    for (size_t i = 0; i < G_N_ELEMENTS(want); i++) {
        g_assert_cmpuint(strlen(lines[i]), >, 66);
        g_assert_cmpstr(lines[i] + 66, ==, want[i]);
    }
}

/* ---- dying before any step to the disk ---- */

static int compare_strings(gconstpointer a, gconstpointer b)
{
    return strcmp(*(const char *const *)a, *(const char *const *)b);
}

static void append_files(GString *text, const char *path)
{
    g_autoptr(GDir) dir = g_dir_open(path, 0, NULL);
    g_autoptr(GPtrArray) names = g_ptr_array_new_with_free_func(g_free);
    const char *name;
    while (dir && (name = g_dir_read_name(dir)))
        if (!g_str_has_prefix(name, "reel.db"))
            g_ptr_array_add(names, g_build_filename(path, name, NULL));
    g_ptr_array_sort(names, compare_strings);
    for (guint i = 0; i < names->len; i++) {
        const char *inner = g_ptr_array_index(names, i);
        char hash[65] = "folder";
        if (g_file_test(inner, G_FILE_TEST_IS_DIR))
            append_files(text, inner);
        else
            g_assert_true(rw_file_sha256(inner, hash, NULL));
        g_string_append_printf(text, "%s %s\n", strchr(inner, '/'), hash);
    }
}

static int append_row(void *user, int columns, char **values, char **names)
{
    (void)names;
    for (int i = 0; i < columns; i++)
        g_string_append_printf(user, "%s|", values[i] ? values[i] : "NULL");
    g_string_append_c(user, '\n');
    return 0;
}

/* The tree and all rows but the journal's. */
static char *state_of(const char *reel)
{
    GString *text = g_string_new(NULL);
    append_files(text, reel);
    g_autofree char *path = g_build_filename(reel, "reel.db", NULL);
    sqlite3 *db;
    g_assert_cmpint(sqlite3_open(path, &db), ==, SQLITE_OK);
    static const char *const queries[] = {"SELECT * FROM meta ORDER BY key",
                                          "SELECT * FROM still ORDER BY id",
                                          "SELECT * FROM frame ORDER BY n",
                                          "SELECT * FROM measurement ORDER BY still, measure",
                                          "SELECT * FROM fact",
                                          "SELECT * FROM choice",
                                          "SELECT * FROM scene",
                                          "SELECT * FROM finding",
                                          "PRAGMA integrity_check"};
    for (size_t i = 0; i < G_N_ELEMENTS(queries); i++)
        g_assert_cmpint(sqlite3_exec(db, queries[i], append_row, text, NULL), ==, SQLITE_OK);
    sqlite3_close(db);
    return g_string_free(text, FALSE);
}

/* Exit code of an intake in a process of its own that dies before step die_at. */
static int intake_apart(const char *reel, int die_at)
{
    pid_t child = fork();
    if (child == 0) {
        const char *cards[] = {"card", "other"};
        rw_intake_options options = plain_options();
        rw_intake_summary s;
        fault.die_at = die_at;
        fault.steps = 0;
        bool ok = rw_intake(cards, 2, reel, &options, &s, NULL);
        _exit(ok ? 0 : 1);
    }
    int status;
    waitpid(child, &status, 0);
    g_assert_true(WIFEXITED(status));
    return WEXITSTATUS(status);
}

static void test_dying(fixture *f, gconstpointer data)
{
    (void)f;
    (void)data;
    for (int i = 0; i < 6; i++) { /* rolls over from 9999 to 0001 */
        g_autofree char *path =
            g_strdup_printf("card/DCIM/100RWDMO/RWD_%04d.JPG", (9997 + i - 1) % 9999 + 1);
        put_still(path, i, "1");
    }
    put_text("card/DCIM/100RWDMO/RWD_9998.RAW", "raw");
    put_text("card/DCIM/100RWDMO/RWD_0004.JPG", "");
    put_still("other/DCIM/100RWDMO/RWD_0004.JPG", 3, "1");  /* a second copy */
    put_still("other/DCIM/100RWDMO/RWD_9999.JPG", 60, "1"); /* the same name, another still */
    g_assert_cmpint(intake_apart("whole", 0), ==, 0);
    g_autofree char *want = state_of("whole");
    int deaths = 0;
    for (int die_at = 1;; die_at++) {
        int code = intake_apart("dying", die_at);
        g_assert_true(code == 0 || code == 77);
        if (code == 77) {
            deaths++;
            g_assert_cmpint(intake_apart("dying", 0), ==, 0);
        }
        g_autofree char *got = state_of("dying");
        g_assert_cmpstr(got, ==, want);
        remove_tree("dying");
        if (code == 0)
            break;
    }
    g_test_message("died before each of %d steps", deaths);
    g_assert_cmpint(deaths, >, 40);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
#define ADD(name, function) g_test_add("/keep/" name, fixture, NULL, set_up, function, tear_down)
    ADD("sha256", test_sha256);
    ADD("copy", test_copy);
    ADD("copy-faults", test_copy_faults);
    ADD("scan", test_scan);
    ADD("shoots", test_shoots);
    ADD("match", test_match);
    ADD("bad-disk", test_bad_disk);
    ADD("names", test_names);
    ADD("dying", test_dying);
#undef ADD
    return g_test_run();
}
