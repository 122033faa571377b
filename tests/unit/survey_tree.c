/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The folder watcher: what lies there, what arrives, and what has not wholly arrived. Nothing here
 * waits for a time to pass: where a file must come, it is waited for as long as it takes; where it
 * must not, the watcher is asked while the file is provably not whole.
 */
#include <fcntl.h>
#include <unistd.h>

#include <glib/gstdio.h>

#include "stills.h"
#include "survey/tree.h"

enum { AS_LONG_AS_IT_TAKES = 60000, A_MOMENT = 60 };

typedef struct place {
    char *folder;
    unsigned char *still; /* a whole JPEG */
    unsigned long bytes;
    rw_tree *tree;
} place;

static char *path_in(const place *p, const char *name)
{
    return g_build_filename(p->folder, name, NULL);
}

static place open_place(bool watch)
{
    place p = {.folder = g_dir_make_tmp("rw-tree-XXXXXX", NULL)};
    made_still small = {.width = 48, .height = 32, .components = 3, .seed = 3};
    p.still = made_jpeg(&small, &p.bytes);
    p.tree = watch ? rw_tree_open(p.folder, NULL) : NULL;
    return p;
}

static void remove_below(const char *folder)
{
    GDir *dir = g_dir_open(folder, 0, NULL);
    const char *name;
    while (dir && (name = g_dir_read_name(dir))) {
        g_autofree char *path = g_build_filename(folder, name, NULL);
        if (g_file_test(path, G_FILE_TEST_IS_DIR))
            remove_below(path);
        else
            g_unlink(path);
    }
    if (dir)
        g_dir_close(dir);
    g_rmdir(folder);
}

static void close_place(place *p)
{
    rw_tree_close(&p->tree);
    remove_below(p->folder);
    g_free(p->folder);
    free(p->still);
}

static void put(const place *p, const char *name)
{
    g_autofree char *path = path_in(p, name);
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
    g_assert_cmpint(fd, >=, 0);
    g_assert_cmpint(write(fd, p->still, p->bytes), ==, (ssize_t)p->bytes);
    close(fd);
}

static void expect(place *p, const char *name)
{
    g_autofree char *got = rw_tree_next(p->tree, AS_LONG_AS_IT_TAKES);
    g_autofree char *want = path_in(p, name);
    g_assert_cmpstr(got, ==, want);
}

static void expect_nothing(place *p)
{
    g_autofree char *got = rw_tree_next(p->tree, A_MOMENT);
    g_assert_null(got);
}

/* What lies there comes first, in natural order, folder by folder; what is no still does not. */
static void test_there_before(void)
{
    place p = open_place(false);
    g_autofree char *deep = path_in(&p, "101REELA");
    g_mkdir(deep, 0777);
    put(&p, "101REELA/REEL0010.JPG");
    put(&p, "101REELA/REEL0009.jpg");
    put(&p, "101REELA/.hidden.jpg");
    put(&p, "101REELA/index.dat");
    put(&p, "100.jpg");
    p.tree = rw_tree_open(p.folder, NULL);
    expect(&p, "100.jpg");
    expect(&p, "101REELA/REEL0009.jpg");
    expect(&p, "101REELA/REEL0010.JPG");
    expect_nothing(&p);
    g_assert_cmpuint(rw_tree_waiting(p.tree), ==, 0);
    close_place(&p);
}

static void test_half_written(void)
{
    place p = open_place(true);
    g_autofree char *path = path_in(&p, "REEL0001.JPG");
    int fd = open(path, O_WRONLY | O_CREAT | O_CLOEXEC, 0666);
    const size_t half = p.bytes / 2;
    g_assert_cmpint(write(fd, p.still, half), ==, (ssize_t)half);
    expect_nothing(&p); /* open still */
    g_assert_cmpuint(rw_tree_waiting(p.tree), ==, 1);
    close(fd);
    expect_nothing(&p); /* closed, and torn: copied in pieces */
    fd = open(path, O_WRONLY | O_APPEND | O_CLOEXEC);
    g_assert_cmpint(write(fd, p.still + half, p.bytes - half), ==, (ssize_t)(p.bytes - half));
    close(fd);
    expect(&p, "REEL0001.JPG");
    g_assert_cmpuint(rw_tree_waiting(p.tree), ==, 0);
    put(&p, "REEL0001.JPG"); /* written over: it came before */
    expect_nothing(&p);
    close_place(&p);
}

static void test_renamed(void)
{
    place p = open_place(true);
    put(&p, ".REEL0001.JPG.part");
    expect_nothing(&p);
    g_autofree char *from = path_in(&p, ".REEL0001.JPG.part"), *to = path_in(&p, "REEL0001.JPG");
    g_assert_cmpint(g_rename(from, to), ==, 0);
    expect(&p, "REEL0001.JPG");
    expect_nothing(&p);
    close_place(&p);
}

/* Written in any order, told in the order of their names. */
static void test_several(void)
{
    place p = open_place(true);
    put(&p, "REEL0012.JPG");
    put(&p, "REEL0009.JPG");
    put(&p, "REEL0011.JPG");
    put(&p, "REEL0010.JPG");
    for (int n = 9; n <= 12; n++) {
        g_autofree char *name = g_strdup_printf("REEL%04d.JPG", n);
        expect(&p, name);
    }
    expect_nothing(&p);
    close_place(&p);
}

/* One that has the earlier name and is still being written is waited for. */
static void test_order_held(void)
{
    place p = open_place(true);
    g_autofree char *first = path_in(&p, "REEL0001.JPG");
    int fd = open(first, O_WRONLY | O_CREAT | O_CLOEXEC, 0666);
    g_assert_cmpint(write(fd, p.still, 20), ==, 20);
    put(&p, "REEL0002.JPG");
    expect_nothing(&p);
    g_assert_cmpint(write(fd, p.still + 20, p.bytes - 20), ==, (ssize_t)(p.bytes - 20));
    close(fd);
    expect(&p, "REEL0001.JPG");
    expect(&p, "REEL0002.JPG");
    close_place(&p);
}

/* A card is mounted, or a camera opens a new folder, while the watch runs. */
static void test_new_folder(void)
{
    place p = open_place(true);
    expect_nothing(&p);
    g_autofree char *deep = path_in(&p, "DCIM/100REELA");
    g_mkdir_with_parents(deep, 0777);
    put(&p, "DCIM/100REELA/REEL0001.JPG");
    expect(&p, "DCIM/100REELA/REEL0001.JPG");
    close_place(&p);
}

static void test_gone(void)
{
    place p = open_place(true);
    g_autofree char *path = path_in(&p, "REEL0001.JPG");
    int fd = open(path, O_WRONLY | O_CREAT | O_CLOEXEC, 0666);
    g_assert_cmpint(write(fd, p.still, 20), ==, 20);
    expect_nothing(&p);
    close(fd);
    g_unlink(path);                 /* given up by its writer */
    while (rw_tree_waiting(p.tree)) /* forgotten sooner or later, or the test's time-out tells */
        expect_nothing(&p);
    put(&p, "REEL0001.JPG");
    expect(&p, "REEL0001.JPG");
    close_place(&p);

    g_autoptr(GError) error = NULL;
    g_assert_null(rw_tree_open("/nowhere/at/all", &error));
    g_assert_error(error, RW_ERROR, RW_ERROR_NOT_FOUND);
}

int main(int argc, char **argv)
{
    g_test_init(&argc, &argv, NULL);
    g_test_add_func("/tree/there-before", test_there_before);
    g_test_add_func("/tree/half-written", test_half_written);
    g_test_add_func("/tree/renamed", test_renamed);
    g_test_add_func("/tree/several", test_several);
    g_test_add_func("/tree/order-held", test_order_held);
    g_test_add_func("/tree/new-folder", test_new_folder);
    g_test_add_func("/tree/gone", test_gone);
    return g_test_run();
}
