/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * target.h - how a fuzz target is written.
 *
 * fuzz/targets/NAME.c defines LLVMFuzzerTestOneInput, which feeds one input to one parser and
 * checks what must hold of any answer with g_assert. fuzz/corpus/NAME/ holds small inputs to begin
 * with, fuzz/crashers/NAME/ those that once failed. A row in fuzz/meson.build makes two programs:
 *   - replay-NAME, always: no engine; the suite "fuzz-replay" runs it over corpus and crashers and
 *     a thousand changed inputs for each, by a fixed seed (replay.c).
 *   - fuzz-NAME, with -Dfuzz=libfuzzer -Db_sanitize=address,undefined -Db_lundef=false and clang:
 *         fuzz-NAME -max_total_time=600 SCRATCH fuzz/corpus/NAME
 */
#ifndef RW_FUZZ_TARGET_H
#define RW_FUZZ_TARGET_H

#include <stddef.h>
#include <stdint.h>

#include <glib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#endif
