/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * target.h - how a fuzz target is written.
 *
 * fuzz/targets/NAME.c defines LLVMFuzzerTestOneInput, which feeds one input to one parser and checks
 * what must hold of any answer with g_assert; fuzz/corpus/NAME/ holds small inputs to begin with,
 * fuzz/crashers/NAME/ those that once failed. A row in fuzz/meson.build makes two programs of it:
 *   - with -Dfuzz=libfuzzer (clang) a fuzzer: build/fuzz/fuzz-NAME -max_total_time=600 fuzz/corpus/NAME
 *   - always a replayer without an engine (replay.c), which the suite "fuzz-replay" runs over corpus,
 *     crashers and some thousand changed inputs of a fixed seed.
 */
#ifndef RW_FUZZ_TARGET_H
#define RW_FUZZ_TARGET_H

#include <stddef.h>
#include <stdint.h>

#include <glib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#endif
