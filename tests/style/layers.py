#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""tools/layers finds each kind of breach, in a small tree made for it."""
import os
import shutil
import sys
import tempfile

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
RULES = os.path.join(ROOT, 'tools/layers.txt')
CLEAN = {
    'src/base/pool.h': '#include <reelwright/types.h>\n',
    'src/base/lanes.h': '#include <stddef.h>\n',
    'src/gate/look.c': '#include <reelwright/gate.h>\n#include "base/pool.h"\n#include "look.h"\n',
    'src/gate/look.h': '',
    'src/gate/look_tmpl.c': '#include <stddef.h>\n#include "base/lanes.h"\n',
    'src/cli/main.c': '#include <reelwright/gate.h>\n',
    'include/reelwright/types.h': '',
    'include/reelwright/gate.h': '#include <reelwright/types.h>\n',
    'include/reelwright/reel.h': '',
}
# what is added to the clean tree, what the tool must say
BREACHES = [
    ('src/gate/bad.c', '#include <reelwright/reel.h>\n', 'gate may not include'),
    ('src/base/bad.c', '#include "gate/look.h"\n', 'base may not include'),
    ('src/cli/bad.c', '  #  include "gate/look.h"\n', 'cli may not include'),
    ('src/gate/bad.c', '#include <sqlite3.h>\n', 'gate may not see'),
    ('src/gate/bad_tmpl.c', '#include <glib.h>\n', 'a kernel may not see'),
    ('src/gate/bad_tmpl.c', '#include "base/pool.h"\n', 'a kernel may not include'),
    ('src/gate/bad.c', '#include "gate/gone.h"\n', 'there is no'),
    ('src/attic/bad.c', '', 'no row'),
    ('include/reelwright/attic.h', '', 'no row'),
    ('src/gate/look.h', '#include "gate/other.h"\n', 'src/gate/look.h -> src/gate/other.h'),
]
HELPERS = {'src/gate/other.h': '#include "gate/look.h"\n'}


def write(root, path, text):
    path = os.path.join(root, path)
    os.makedirs(os.path.dirname(path), exist_ok=True)
    with open(path, 'w', encoding='utf-8') as out:
        out.write(text)


def check_tree(files, rules=None):
    with tempfile.TemporaryDirectory(prefix='rw-layers-') as root:
        for path, text in files.items():
            write(root, path, text)
        os.makedirs(os.path.join(root, 'tools'))
        if rules:
            write(root, 'tools/layers.txt', rules)
        else:
            shutil.copy(RULES, os.path.join(root, 'tools/layers.txt'))
        return run([sys.executable, os.path.join(ROOT, 'tools/layers'), root])


def main():
    tap = Tap()
    done = check_tree(CLEAN)
    tap.ok(done.returncode == 0, 'a clean tree passes', done.stdout)
    for path, text, says in BREACHES:
        files = dict(CLEAN)
        if 'other.h' in text:
            files.update(HELPERS)
        files[path] = text
        done = check_tree(files)
        tap.ok(done.returncode == 1 and says in done.stdout, f'found: {says} ({path})', done.stdout)
    done = check_tree({'src/a/a.c': ''}, 'a: b\nb: a\n')
    tap.ok(done.returncode == 1 and 'a -> b -> a' in done.stdout, 'found: a circle in the table',
           done.stdout)
    tap.done()


if __name__ == '__main__':
    main()
