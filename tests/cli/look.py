#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""reelwright look: choices, corrections and tables in and out, and what a table that was changed on
disk costs. reelwright chart: a drawn chart, found and by hand, and its matrix as a choice.

    tests/cli/look.py REELWRIGHT MAKE_REEL"""
import hashlib
import os
import shutil
import sqlite3
import struct
import sys
import tempfile
import xml.etree.ElementTree as ET
import zlib

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

REELWRIGHT, MAKE_REEL = sys.argv[1], sys.argv[2]
TAP = Tap()
WORK = tempfile.mkdtemp(prefix='rw-look-')
REEL = os.path.join(WORK, 'regatta')
NAMES = '{urn:ASC:CDL:v1.2}'
# Element names of the ASC CDL v1.2 schema, as this program and others write them.
CDL = '''<?xml version="1.0"?><ColorDecisionList xmlns="urn:ASC:CDL:v1.2"><ColorDecision>
<ColorCorrection id="night"><SOPNode><Slope>1.1 1 0.9</Slope><Offset>0 -0.02 0.03</Offset>
<Power>1 1.2 1</Power></SOPNode><SatNode><Saturation>0.8</Saturation></SatNode></ColorCorrection>
</ColorDecision></ColorDecisionList>'''
CUBE = 'LUT_1D_SIZE 2\n0 0 0\n1 0.5 1\n'


def look(*arguments):
    return run([REELWRIGHT, 'look', REEL, *arguments])


def choices():
    with sqlite3.connect(os.path.join(REEL, 'reel.db')) as db:
        return {(scope, key): value for scope, key, value in db.execute('select * from choice')}


def write(name, text):
    path = os.path.join(WORK, name)
    with open(path, 'w', encoding='utf-8') as file:
        file.write(text)
    return path


def frames():
    path = os.path.join(WORK, 'out.framemd5')
    done = run([REELWRIGHT, 'finish', REEL, '-o', path, '--size', '96x72', '--threads', '1'])
    if done.returncode:
        return done
    with open(path, encoding='utf-8') as file:
        return [line.split(',')[-1].strip() for line in file if not line.startswith('#')]


def check_choices():
    done = look('--set', 'exposure=0.5', '--set', 'tint=-0.25')
    TAP.equal((done.returncode, choices()), (0, {('reel', 'colour.exposure'): '0.5',
                                                 ('reel', 'colour.tint'): '-0.25'}), 'two choices')
    listed = {line.split()[0]: line.split()[1] for line in look('--list').stdout.splitlines()}
    TAP.equal((listed['exposure'], listed['contrast'], listed['lamp'], listed['cube']),
              ('0.5', '1', 'on', '-'), 'they are listed')
    for wrong in (['--set', 'exposure=9'], ['--set', 'glow=1'], ['--set', 'exposure'],
                  ['--set', 'cube=/etc/passwd']):
        done = look(*wrong)
        TAP.ok(done.returncode == 2 and done.stderr.count('\n') == 1, ' '.join(wrong), done.stderr)
    done = look('--scene', '7', '--set', 'exposure=1')
    TAP.ok(done.returncode == 1 and 'scene 7' in done.stderr, 'a scene that is not there', done.stderr)
    look('--reset', 'exposure', '--reset', 'tint')
    TAP.equal(choices(), {}, 'taken back')


def check_steadying():
    """Other stages' choices go by the stage's name, for the reel and for a scene."""
    done = look('--set', 'steady.strength=0.4', '--set', 'steady.border=fill', '--set', 'grain.amount=calm')
    more = look('--scene', '1', '--set', 'steady.mode=locked', '--set', 'steady.crop=0.1')
    TAP.equal((done.returncode, more.returncode, choices()),
              (0, 0, {('reel', 'steady.strength'): '0.4', ('reel', 'steady.border'): 'fill',
                      ('reel', 'grain.amount'): 'calm', ('scene:1', 'steady.mode'): 'locked',
                      ('scene:1', 'steady.crop'): '0.1'}), 'how a scene is steadied')
    listed = {line.split()[0]: line.split(None, 1)[1] for line in look('--scene', '1').stdout.splitlines()}
    TAP.equal([listed[f'steady.{key}'].split()[0] for key in ('mode', 'strength', 'border', 'crop')],
              ['locked', '0.4', 'fill', '0.1'], "the scene's own choice goes before the reel's")
    TAP.ok(listed['steadying'].startswith('Off: '), 'what becomes of it, and why', listed['steadying'])
    TAP.ok('steadying' not in [line.split()[0] for line in look().stdout.splitlines()], 'of a scene only')
    for wrong in ('steady.mode=still', 'steady.crop=0.3', 'steady.strength=-1', 'steady.glow=1', 'glow.mode=1', 'register.x=1'):
        done = look('--set', wrong)
        TAP.ok(done.returncode == 2 and done.stderr.count('\n') == 1, wrong, done.stderr)
    look('--reset', 'steady.strength', '--reset', 'steady.border', '--reset', 'grain.amount')
    look('--scene', '1', '--reset', 'steady.mode', '--reset', 'steady.crop')
    TAP.equal(choices(), {}, 'taken back')


def check_corrections():
    TAP.equal(look('--scene', '1', '--take', write('night.cdl', CDL)).returncode, 0, 'a correction')
    mine = {key: value for (scope, key), value in choices().items() if scope != 'reel'}
    TAP.equal((len(mine), mine['colour.slope-blue'], mine['colour.cdl-saturation']),
              (10, '0.90000000000000002', '0.80000000000000004'), 'is ten choices of the scene')
    out = os.path.join(WORK, 'all.ccc')
    TAP.equal(look('--give', out).returncode, 0, 'given')
    root = ET.parse(out).getroot()
    found = {c.get('id'): [float(v) for v in c.find(f'.//{NAMES}Offset').text.split()]
             for c in root.iter(f'{NAMES}ColorCorrection')}
    TAP.equal(found, {'reel': [0, 0, 0], 'scene 1': [0, -0.02, 0.03]}, 'as a collection')
    before = choices()
    look(*[word for key in mine for word in ('--reset', key.split('.')[1])], '--scene', '1')
    TAP.equal(choices(), {}, 'taken back')
    TAP.equal(look('--take', out).returncode, 0, 'a collection is taken in')
    again = choices()
    TAP.ok(all(again.get(key) == value for key, value in before.items()), 'to where its ids say',
           f'{before}\n{again}')
    for text in (CDL.replace('1.1 1', '-1 1'), CDL[:200], '<a/>'):
        done = look('--take', write('bad.cdl', text))
        TAP.ok(done.returncode == 1 and done.stderr.count('\n') == 1 and 'bad.cdl' in done.stderr,
               f'not a correction: {text[-30:]!r}', done.stderr)
    look(*[word for _, key in again for word in ('--reset', key.split('.')[1])], '--scene', '1')
    look(*[word for _, key in again for word in ('--reset', key.split('.')[1])])


def check_table():
    plain = frames()
    TAP.equal(look('--take', write('green.cube', CUBE)).returncode, 0, 'a table')
    digits = hashlib.sha256(CUBE.encode()).hexdigest()
    TAP.equal(choices(), {('reel', 'colour.cube'): f'{digits} green.cube'}, 'is named by its SHA-256')
    os.remove(os.path.join(WORK, 'green.cube'))
    toned = frames()
    TAP.ok(isinstance(toned, list) and toned != plain, 'works without the file it came from', toned)
    kept = os.path.join(REEL, 'looks', digits)
    other = os.path.join(WORK, 'other')
    shutil.copytree(REEL, other)
    shutil.rmtree(os.path.join(other, 'looks'))
    run([REELWRIGHT, 'look', other, '--reset', 'cube', '--set', 'warmth=1'])
    done = run([REELWRIGHT, 'look', other, '--from', REEL])
    with sqlite3.connect(os.path.join(other, 'reel.db')) as db:
        TAP.equal((done.returncode, db.execute('select key, value from choice').fetchall(), os.listdir(os.path.join(other, 'looks'))),
                  (0, [('colour.cube', f'{digits} green.cube')], [digits]), 'a look goes to another reel, its table with it')
    with open(kept, 'a', encoding='utf-8') as file:
        file.write('# no longer what was chosen\n')
    done = frames()
    TAP.ok(not isinstance(done, list) and 'green.cube' in done.stderr and
           done.stderr.strip().count('\n') == 0, 'a changed table is refused', done)
    look('--reset', 'cube')
    TAP.equal(frames(), plain, 'without it all is as before')
    done = look('--take', write('short.cube', 'LUT_3D_SIZE 3\n0 0 0\n'))
    TAP.ok(done.returncode == 1 and 'short.cube' in done.stderr, 'a broken table', done.stderr)


def png(name, width, rows):
    """8 bits, red, green, blue; rows of bytes."""
    def chunk(kind, data):
        body = kind + data
        return struct.pack('>I', len(data)) + body + struct.pack('>I', zlib.crc32(body))
    path = os.path.join(WORK, name)
    with open(path, 'wb') as file:
        file.write(b'\x89PNG\r\n\x1a\n' + chunk(b'IHDR', struct.pack('>IIBBBBB', width, len(rows), 8, 2, 0, 0, 0)) +
                   chunk(b'IDAT', zlib.compress(b''.join(b'\0' + row for row in rows))) + chunk(b'IEND', b''))
    return path


def srgb_of_lab(lab):
    """D50 Lab to sRGB codes: CIE 15; Bradford and sRGB matrices as ICC.1 and IEC 61966-2-1 give them."""
    fy = (lab[0] + 16) / 116
    xyz = [w * (f ** 3 if f > 6 / 29 else (f - 16 / 116) * 108 / 841)
           for f, w in ((fy + lab[1] / 500, 0.9642), (fy, 1), (fy - lab[2] / 200, 0.8249))]
    rows = ((3.1338561, -1.6168667, -0.4906146), (-0.9787684, 1.9161415, 0.0334540),
            (0.0719453, -0.2289914, 1.4052427))
    light = [min(max(sum(a * b for a, b in zip(row, xyz)), 0), 1) for row in rows]
    return bytes(round(255 * (12.92 * v if v <= 0.0031308 else 1.055 * v ** (1 / 2.4) - 0.055)) for v in light)


def check_chart():
    data = os.path.join(os.path.dirname(os.path.dirname(os.path.abspath(__file__))), 'ref/data/colorchecker_lab_d50.csv')
    with open(data, encoding='utf-8') as file:
        lines = [line.split(',') for line in file if line[0].isdigit()]
    patches = [srgb_of_lab([float(v) for v in line[2:5]]) for line in lines]
    dark, step = bytes((40, 40, 40)), 60
    rows = []
    for y in range(300):
        row = b''
        for x in range(420):
            column, line = (x - 30) // step, (y - 30) // step
            inside = 0 <= column < 6 and 0 <= line < 4 and 8 <= (x - 30) % step < 52 and 8 <= (y - 30) % step < 52
            row += patches[6 * line + column] if inside else dark
        rows.append(row)
    still = png('chart.png', 420, rows)
    done = run([REELWRIGHT, 'chart', still, '--reel', REEL])
    mean = float(done.stdout.split('mean ')[1].split(',')[0]) if done.returncode == 0 else 99
    TAP.ok(mean < 0.6, 'a drawn chart is found', done.stdout + done.stderr)
    matrix = [float(v) for v in choices().get(('reel', 'colour.camera'), '0').split()]
    TAP.ok(len(matrix) == 9 and all(abs(v - (i % 4 == 0)) < 0.03 for i, v in enumerate(matrix)),
           'its colours are right as they are', matrix)
    TAP.ok(isinstance(frames(), list), 'the matrix is one that finish takes', matrix)
    look('--reset', 'camera')
    by_hand = run([REELWRIGHT, 'chart', still, '--corners', '60,60 360,60 360,240 60,240'])
    TAP.equal((by_hand.returncode, by_hand.stdout.splitlines()[2:]), (0, done.stdout.splitlines()[2:]), 'by hand the same')
    for corners, code in (('1,2 3', 2), ('0,0 900,0 900,900 0,900', 1)):
        wrong = run([REELWRIGHT, 'chart', still, '--corners', corners])
        TAP.ok(wrong.returncode == code and wrong.stderr.count('\n') == 1, f'corners {corners}', wrong.stderr)
    check_chart_in_reel(still)


def check_chart_in_reel(chart):
    card, reel = os.path.join(WORK, 'chart-card'), os.path.join(WORK, 'charted')
    os.makedirs(card)
    plain = png('plain.png', 420, [bytes((90, 80, 70)) * 420] * 300)
    for name, still in (('A_0001.png', plain), ('A_0002.png', plain), ('A_0003.png', chart), ('A_0004.png', plain)):
        shutil.copy(still, os.path.join(card, name))
    taken = run([REELWRIGHT, 'intake', card, reel, '--gauge', 'super8'])
    found = run([REELWRIGHT, 'chart', reel])
    first = found.stdout.splitlines()[0] if found.stdout else ''
    TAP.ok(found.returncode == 0 and first.endswith('A_0003.png'), 'a chart among the stills is found', taken.stderr + found.stdout + found.stderr)
    os.remove(os.path.join(reel, first.split('charted/')[-1]))
    gone = run([REELWRIGHT, 'chart', reel])
    TAP.ok(gone.returncode == 1 and gone.stderr.count('\n') == 1, 'none is one clear line', gone.stderr)


def check_grey():
    card, wall, white = bytes((140, 120, 96)), bytes((20, 90, 200)), bytes((255, 240, 210))
    picture = [(wall * 60 + card * 100 + white * 40) if 50 <= y < 110 else wall * 200 for y in range(150)]
    still = png('grey.png', 200, picture)
    done = run([REELWRIGHT, 'chart', still, '--grey', '70,55 80x50', '--reel', REEL])
    matrix = [float(v) for v in choices().get(('reel', 'colour.camera'), '0').split()]
    # IEC 61966-2-1 and the luma of ITU-R BT.709-6, item 3.2
    light = [((v / 255 + 0.055) / 1.055) ** 2.4 for v in card]
    luma = sum(a * b for a, b in zip(light, (0.2126, 0.7152, 0.0722)))
    wanted = [luma / light[i // 4] if i % 4 == 0 else 0 for i in range(9)]
    TAP.ok(len(matrix) == 9 and all(abs(a - b) < 1e-5 for a, b in zip(matrix, wanted)), 'a grey card gives three gains', [matrix, wanted, done.stderr])
    look('--reset', 'camera')
    for area, code in (('0,50 100x60', 1), ('170,60 20x40', 1), ('0,0 40x40', 1), ('70,55 8x8', 1), ('150,100 80x80', 1), ('70,55', 2)):
        wrong = run([REELWRIGHT, 'chart', still, '--grey', area])
        TAP.ok(wrong.returncode == code and wrong.stderr.count('\n') == 1, f'area {area}', wrong.stderr)
    both = run([REELWRIGHT, 'chart', still, '--grey', '70,55 80x50', '--corners', '1,1 2,1 2,2 1,2'])
    TAP.equal(both.returncode, 2, 'chart and card at once are refused')


try:
    run([MAKE_REEL, WORK, 'super8', '3', '300', '200'])
    with sqlite3.connect(os.path.join(REEL, 'reel.db')) as database:
        database.execute("insert into scene values (1, 0, 2, 'head')")
    database.close()
    check_choices()
    check_steadying()
    check_corrections()
    check_table()
    check_chart()
    check_grey()
finally:
    shutil.rmtree(WORK)
TAP.done()
