# SPDX-License-Identifier: GPL-3.0-or-later
"""TAP for tests that are Python programs.

    tap = Tap()
    tap.ok(code == 0, 'help exits 0', detail=text)
    tap.near(got, want, tolerance, 'pixels per mm')
    tap.skip('needs ffprobe')
    tap.done()                        # prints the plan and exits; 1 if any check failed
"""
import math
import subprocess
import sys


class Tap:
    def __init__(self):
        self.count = self.failed = 0

    def ok(self, passed, name, detail=''):
        self.count += 1
        name = name.replace('#', r'\#')
        print(f'{"ok" if passed else "not ok"} {self.count} {name}', flush=True)
        if not passed:
            self.failed += 1
            for line in str(detail).splitlines():
                print(f'#   {line}')
        return bool(passed)

    def equal(self, got, want, name):
        return self.ok(got == want, name, f'got  {got!r}\nwant {want!r}')

    def near(self, got, want, tolerance, name):
        passed = isinstance(got, (int, float)) and not math.isnan(got) and \
            abs(got - want) <= tolerance
        return self.ok(passed, name, f'got {got!r}, want {want} within {tolerance}')

    def skip(self, reason):
        self.count += 1
        print(f'ok {self.count} # SKIP {reason}', flush=True)

    def done(self):
        if not self.count:
            self.ok(False, 'at least one check ran')
        print(f'1..{self.count}')
        sys.exit(1 if self.failed else 0)


def run(command, timeout=120, source='', **more):
    """The finished process with text output; source is its stdin."""
    return subprocess.run(command, input=source, capture_output=True, text=True, timeout=timeout,
                          check=False, **more)
