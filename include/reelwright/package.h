/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * package.h - a reel as a preservation package: a bag by RFC 8493 (BagIt 1.0) that proves itself.
 *
 * Calling sequence:
 *     rw_package_options options = RW_PACKAGE_DEFAULTS;
 *     rw_package_summary summary;
 *     bool ok = rw_package_write(reel, "/archive/regatta", &options, &summary, &error);
 *     rw_package_summary_clear(&summary);
 *
 *     rw_bag_summary bag;
 *     rw_bag_check("/archive/regatta", &check_options, &bag, &error);
 *     ... bag.troubles->len == 0: complete and valid ...
 *     rw_bag_summary_clear(&bag);
 *
 * data/ of the package holds the originals byte for byte, reel.db as it stands, the looks that its
 * choices name, what the caller adds, a list of the files for people and one for machines (PREMIS),
 * and a description (Dublin Core). Restored, data/ is a reel folder.
 *
 * Every original is read once, compared with the SHA-256 that intake wrote down, brought to the
 * disk, read back and compared. An original that is lost or has changed is told, and no package is
 * made. bagit.txt is written last: what has none is no package yet. Stopped or killed, the same
 * call goes on where it stopped; what lies there already is read again, not believed.
 */
#ifndef REELWRIGHT_PACKAGE_H
#define REELWRIGHT_PACKAGE_H

#include <stdatomic.h>

#include <reelwright/reel.h>

#ifdef __cplusplus
extern "C" {
#endif

/* A file that goes into the package beside what the reel itself holds. */
typedef struct rw_package_part {
    const char *source; /* where it lies */
    const char *path;   /* in data/, with slashes: "out/regatta.mp4"; no "..", not absolute */
} rw_package_part;

typedef struct rw_package_options {
    const rw_package_part *parts;
    size_t n_parts;
    const char *const *describe; /* NULL-ended "element=text", a Dublin Core element; NULL none */
    int threads;                 /* that copy and hash: 1..8 */
    bool progress;               /* draw it on stderr */
    const atomic_bool *cancel;   /* may be NULL */
} rw_package_options;

#define RW_PACKAGE_DEFAULTS                                                                        \
    {                                                                                              \
        NULL, 0, NULL, 2, false, NULL                                                              \
    }

typedef struct rw_package_summary {
    int64_t originals; /* stills and what came with them */
    int64_t files;     /* all of data/ */
    int64_t bytes;     /* of them */
    int64_t kept;      /* were there, whole, from an earlier call */
    GPtrArray *lost;   /* char *: an original that is gone or changed, a sentence each */
} rw_package_summary;

RW_API void rw_package_summary_clear(rw_package_summary *summary);

/* folder: a new or empty one, or one that an earlier call for this reel left unfinished. The
 * journal of the reel tells of a package that was made. summary is filled also on failure.
 * RW_ERROR_DAMAGED when originals are lost; RW_ERROR_CONFLICT when folder holds something else, or
 * an intake is at work on the reel. */
RW_API bool rw_package_write(rw_reel *reel, const char *folder, const rw_package_options *options,
                             rw_package_summary *summary, GError **error);

/* The fifteen elements of Dublin Core (ISO 15836-1); NULL-ended, static. */
RW_API const char *const *rw_dublin_core_elements(void);

/* ---- is a package still what it was? ---- */

typedef struct rw_bag_options {
    int threads;
    bool progress;
    const atomic_bool *cancel;
} rw_bag_options;

typedef struct rw_bag_summary {
    int64_t files, bytes; /* of the payload, as it lies there */
    char *algorithms;     /* "sha256, sha512": those that every file was checked by */
    GPtrArray *troubles;  /* char *: a sentence each; none: the bag is complete and valid */
} rw_bag_summary;

RW_API void rw_bag_summary_clear(rw_bag_summary *summary);

/* Any bag, whoever made it: all listed files are there and unchanged, nothing else is, and the
 * bag's own files agree. False when it could not be looked at. Nothing is written. */
RW_API bool rw_bag_check(const char *folder, const rw_bag_options *options, rw_bag_summary *summary,
                         GError **error);

#ifdef __cplusplus
}
#endif
#endif
