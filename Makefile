# SPDX-License-Identifier: GPL-3.0-or-later
#
#   make            build
#   make demo       build, then take a made-up reel from camera card to movie in ./demo-reel
#   make test       everything that must hold: gcc, sanitizers, clang
#   make kill-test  kills intake and survey at 50 random moments each
#   make install    into PREFIX (default /usr/local)
#
# Each build folder is Meson's; ninja -C build works as well.

BUILD ?= build
PREFIX ?= /usr/local
GCC ?= gcc
CLANG ?= clang
# UBSan without recovery, so that a test cannot pass over a finding.
SANITIZE = -Db_sanitize=address,undefined -Db_lundef=false -Doptimization=2 \
           -Dc_args='-fno-sanitize-recover=all -fno-omit-frame-pointer'

.PHONY: all deps demo test quick-test kill-test sanitize clang lint format install clean

all: $(BUILD)/build.ninja
	ninja -C $(BUILD)

# Quiet and quick when nothing is missing.
deps:
	@tools/install-deps

$(BUILD)/build.ninja: | deps
	CC=$(GCC) meson setup $(BUILD) --werror

build-sanitize/build.ninja: | deps
	CC=$(GCC) meson setup build-sanitize --werror $(SANITIZE)

build-clang/build.ninja: | deps
	CC=$(CLANG) meson setup build-clang --werror

demo: all
	@tools/demo $(BUILD)/src/cli/reelwright demo-reel

# One line at the end counts all three.
test: deps
	@tools/run-tests $(BUILD) build-sanitize=unit,cli build-clang=

quick-test: deps
	@tools/run-tests $(BUILD)=style,unit,kernel

kill-test: all
	REELWRIGHT_TEST_KILLS=50 python3 tests/cli/intake.py $(BUILD)/src/cli/reelwright $(BUILD)/tests/make_card
	REELWRIGHT_TEST_KILLS=50 python3 tests/cli/survey.py $(BUILD)/src/cli/reelwright

sanitize: deps
	@tools/run-tests build-sanitize

clang: deps
	@tools/run-tests build-clang=

lint: deps
	tools/layers
	tools/format-check

format: deps
	tools/format-check --fix

# configured first, so that the place is known before anything is copied
install: $(BUILD)/build.ninja
	meson configure $(BUILD) -Dprefix=$(PREFIX)
	ninja -C $(BUILD)
	meson install -C $(BUILD) --no-rebuild

clean:
	rm -rf $(BUILD) build-sanitize build-clang
