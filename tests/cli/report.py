#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The report of a small made-up reel: whole, self-contained, harmless and true.

    tests/cli/report.py REELWRIGHT"""
import base64
import html.parser
import os
import re
import sqlite3
import sys
import tempfile

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

HOSTILE = '<script>alert(1)</script> & "Regatta"'


def middle_tones(reel):
    """Median luma (ITU-R BT.709-6, item 3.2) of each scene's samples, percent, from the survey's own
    blobs: 15 numbers, then 300 times R, G, B."""
    db = sqlite3.connect(f'file:{reel}/reel.db?mode=ro', uri=True)
    result = []
    for first, last in db.execute('select first, last from scene order by first'):
        luma = []
        for (blob,) in db.execute("select value from frame join measurement using (still) where "
                                  "measure = 'colour' and n between ? and ?", (first, last)):
            rgb = blob[60:]
            luma += [0.2126 * rgb[i] + 0.7152 * rgb[i + 1] + 0.0722 * rgb[i + 2]
                     for i in range(0, 900, 3)]
        result.append(100 * sorted(luma)[len(luma) // 2] / 255)
    db.close()
    return result


def pictures(page):
    """The small JPEG that each scene shows, in order; None where it shows none."""
    figures = re.findall(r'<figure>(.*?)</figure>', page, re.DOTALL)
    found = [re.search(r'src="data:image/jpeg;base64,([^"]+)"', f) for f in figures]
    return [base64.b64decode(f[1]) if f else None for f in found]


class Reader(html.parser.HTMLParser):
    """Tags, addresses and text of a page."""

    def __init__(self):
        super().__init__()
        self.tags, self.addresses, self.text, self.labels = [], [], '', []

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.labels += [v for k, v in attributes if k == 'aria-label']
        self.addresses += [v for k, v in attributes if k in ('src', 'href', 'xlink:href') and v]

    def handle_data(self, data):
        self.text += data


def main():
    reelwright = sys.argv[1]
    tap = Tap()
    with tempfile.TemporaryDirectory(prefix='rw-report-') as folder:
        demo, reel = os.path.join(folder, 'demo'), os.path.join(folder, 'reel')
        run([reelwright, 'demo', demo, '--frames', '24', '--pixels', '1200x800'])
        taken = run([reelwright, 'intake', os.path.join(demo, 'card'), reel, '--title', HOSTILE])
        tap.equal(taken.returncode, 0, 'a made-up card is taken in')

        early = run([reelwright, 'report', reel])
        page = os.path.join(reel, 'out', 'report.html')
        with open(page, encoding='utf-8') as f:
            text = f.read()
        tap.ok(early.returncode == 0 and 'not surveyed' in text,
               'a reel that was not surveyed gets a report that says so', early.stderr)

        run([reelwright, 'survey', reel])
        made = run([reelwright, 'report', reel, '-o', page])
        tap.equal((made.returncode, made.stdout.strip()), (0, page), 'the page is made and named')
        reader = Reader()
        with open(page, encoding='utf-8') as f:
            reader.feed(f.read())
        tap.ok('script' not in reader.tags and HOSTILE in reader.text,
               'a hostile title shows as text')
        outside = [a for a in reader.addresses if not a.startswith(('data:image/jpeg;', '#'))]
        tap.equal(outside, [], 'nothing is fetched from outside')
        tap.ok('svg' in reader.tags and 'img' in reader.tags, 'there are curves and pictures')
        tones = [float(re.search(r'middle (\d+) %', t)[1]) for t in reader.labels if t.startswith('Tones')]
        known = middle_tones(reel)
        tap.ok(known and len(tones) == len(known) and all(abs(a - b) <= 1 for a, b in zip(tones, known)),
               'every scene shows how its tones are spread', [tones, known])
        tap.ok('should be shot again' in reader.text and
               'A film frame was not taken, frame 9' in reader.text,
               'the missing frame is told', reader.text[-3000:])

        # a scene whose middle no still shows, and whose next frame is smeared
        db = sqlite3.connect(f'{reel}/reel.db')
        first, last = db.execute('select first, last from scene order by first').fetchone()
        middle = (first + last) // 2
        db.execute('update frame set still = 0 where n = ?', (middle,))
        db.execute("insert into finding (kind, first, last, still, severity, confidence, evidence, advice, state) "
                   "values ('smeared-frame', ?, ?, 0, 'redo', 1, '{}', '', 'open')", (middle + 1,) * 2)
        still, = db.execute('select still from frame where n = ?', (middle - 1,)).fetchone()
        db.commit()
        db.close()
        run([reelwright, 'report', reel, '-o', page])
        with open(page, encoding='utf-8') as f:
            shown = pictures(f.read())
        with open(f'{reel}/cache/{still:06}.jpg', 'rb') as f:
            tap.ok(shown[0] == f.read() and None not in shown,
                   'a scene shows the whole frame nearest to its middle', [bool(s) for s in shown])

        pdf = os.path.join(folder, 'report.PDF')
        made = run([reelwright, 'report', reel, '-o', pdf])
        with open(pdf, 'rb') as f:
            start = f.read(5)
        tap.ok(made.returncode == 0 and start == b'%PDF-', 'paper is made too', made.stderr)
        odd = run([reelwright, 'report', reel, '-o', os.path.join(folder, 'report.doc')])
        tap.equal(odd.returncode, 2, 'another ending is a wrong use')
        nowhere = run([reelwright, 'report', reel, '-o', os.path.join(folder, 'no', 'x.html')])
        tap.ok(nowhere.returncode == 1 and nowhere.stderr.count('\n') == 1,
               'a folder that is not there is one clear line', nowhere.stderr)
        tap.equal(sorted(n for n in os.listdir(folder) if n.startswith('.')), [],
                  'no half-made file is left')
    tap.done()


main()
