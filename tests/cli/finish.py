#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""reelwright finish on a small demo reel: the movies as ffprobe and ffmpeg see them, the trace, and
that broken stills, full disks and interruptions cost one clear line and leave nothing behind.

    tests/cli/finish.py REELWRIGHT MAKE_REEL"""
import json
import math
import os
import re
import resource
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time
import wave
import zlib

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

REELWRIGHT, MAKE_REEL = sys.argv[1], sys.argv[2]
TAP = Tap()
STILLS = 12
WORK = tempfile.mkdtemp(prefix='rw-finish-')
REEL = os.path.join(WORK, 'regatta')


def finish(*arguments, reel=REEL, clean=False, **more):
    """Without the stages that clean unless told otherwise: what is asked here is the way of a
    picture, and one that is missing has a say in how its neighbours are cleaned."""
    if not clean and '--only' not in arguments:
        arguments += ('--only', 'register')
    return run([REELWRIGHT, 'finish', reel, '--threads', '2', *map(str, arguments)], **more)


def out(name):
    return os.path.join(WORK, name)


def complaints(done):
    """But for the line that these reels were never looked at for steadying (tests/law/steady.c)."""
    return [line for line in done.stderr.splitlines()
            if line.startswith('reelwright') and ': Not steadied: ' not in line]


def one_line(done):
    return len(complaints(done)) == 1 and complaints(done)[0].endswith('.')


def notes(done):
    return [line for line in complaints(done) if line.startswith('reelwright finish: ')]


def copy_reel(name):
    to = out(name)
    shutil.copytree(REEL, to)
    return to


def still(reel, n):
    names = sorted(os.listdir(os.path.join(reel, 'stills')))
    return os.path.join(reel, 'stills', names[n])


def probe(path):
    done = run(['ffprobe', '-v', 'error', '-show_streams', '-show_format', '-of', 'json', path])
    return json.loads(done.stdout)


def hashes(path):
    """Checksums of a framemd5 file's frames, in order."""
    with open(path, encoding='ascii') as file:
        return [line.split(',')[-1].strip() for line in file if not line.startswith('#')]


def framemd5(*arguments, reel=REEL):
    path = out('frames.framemd5')
    done = finish('-o', path, '--size', '240x180', *arguments, reel=reel)
    assert done.returncode == 0, done.stderr
    return hashes(path)


def psnr(first, second):
    """Of two movies' luma, frame by frame."""
    log = out('psnr.log')
    alike = 'settb=1/18,setpts=N,scale=out_color_matrix=bt709:out_range=tv,format=yuv444p16'
    done = run(['ffmpeg', '-v', 'error', '-i', first, '-i', second, '-lavfi',
                f'[0]{alike}[a];[1]{alike}[b];[a][b]psnr=stats_file={log}', '-f', 'null', '-'])
    assert done.returncode == 0, done.stderr
    with open(log, encoding='ascii') as file:
        return [float(re.search(r'psnr_y:(\S+)', line).group(1)) for line in file]


# ---- what comes out ----

def check_stream(path, codec, pixels, rate, frames, rgb=False, tag=None):
    name = os.path.basename(path)
    facts = probe(path)
    video = facts['streams'][0]
    TAP.equal(len(facts['streams']), 1, f'{name}: one stream')
    TAP.equal((video['codec_name'], video['pix_fmt'], video['width'], video['height']),
              (codec, pixels, 240, 180), f'{name}: codec, samples, size')
    TAP.equal(video.get('sample_aspect_ratio'), '1:1', f'{name}: square pixels')
    TAP.equal((video['r_frame_rate'], video['avg_frame_rate']), (rate, rate), f'{name}: exact rate')
    TAP.equal((video.get('color_space'), video.get('color_transfer'), video.get('color_primaries'),
               video.get('color_range')),
              ('gbr' if rgb else 'bt709', 'bt709', 'bt709', 'pc' if rgb else 'tv'),
              f'{name}: colour tags')
    if codec == 'h264' or codec == 'hevc':
        TAP.equal(video.get('chroma_location'), 'left', f'{name}: chroma sited left')
    TAP.equal(video.get('field_order', 'progressive'), 'progressive', f'{name}: progressive')
    if tag:
        TAP.equal(video['codec_tag_string'], tag, f'{name}: codec tag')
    counted = run(['ffprobe', '-v', 'error', '-count_frames', '-show_entries',
                   'stream=nb_read_frames', '-of', 'csv=p=0', path]).stdout.strip().strip(',')
    TAP.equal(counted, str(frames), f'{name}: {frames} frames decode')
    return video


def atoms(path):
    """Names of the top-level boxes of an ISO base media file (ISO/IEC 14496-12, 4.2)."""
    found = []
    with open(path, 'rb') as file:
        while header := file.read(8):
            size, name = struct.unpack('>I4s', header)
            if size == 1:
                size = struct.unpack('>Q', file.read(8))[0] - 8
            found.append(name.decode('latin-1'))
            file.seek(size - 8, os.SEEK_CUR)
    return found


def check_movies():
    for name, options in [('a.mp4', []), ('a5.mp4', ['--codec', 'h265']), ('a.mov', []),
                          ('a.mkv', [])]:
        done = finish('-o', out(name), '--size', '240x180', *options)
        TAP.ok(done.returncode == 0 and f'{STILLS} frames' in done.stdout, f'{name} is made',
               done.stdout + done.stderr)
    video = check_stream(out('a.mp4'), 'h264', 'yuv420p', '18/1', STILLS, tag='avc1')
    TAP.equal(video['profile'], 'High', 'a.mp4: High profile')
    TAP.near(float(video['duration']), STILLS / 18, 1e-5, 'a.mp4: lasts 12 / 18 s')
    check_stream(out('a5.mp4'), 'hevc', 'yuv420p10le', '18/1', STILLS, tag='hvc1')
    check_stream(out('a.mov'), 'prores', 'yuv422p10le', '18/1', STILLS, tag='apch')
    check_stream(out('a.mkv'), 'ffv1', 'gbrp16le', '18/1', STILLS, rgb=True)
    for name in ['a.mp4', 'a5.mp4']:
        boxes = atoms(out(name))
        TAP.ok(boxes.index('moov') < boxes.index('mdat'), f'{name}: the index comes first', boxes)
    TAP.equal(probe(out('a.mp4'))['format']['tags'].get('title'), 'Regatta', 'the title is told')


def check_lossless():
    """FFV1 holds what framemd5 says, slices are checked, and lossy movies look like it."""
    ours = framemd5()
    theirs = run(['ffmpeg', '-v', 'error', '-i', out('a.mkv'), '-f', 'framemd5', '-']).stdout
    theirs = [line.split(',')[-1].strip() for line in theirs.splitlines()
              if not line.startswith('#')]
    TAP.equal(theirs, ours, 'ffmpeg reads the same frames from FFV1 as framemd5 lists')
    data = bytearray(open(out('a.mkv'), 'rb').read())
    data[len(data) // 2] ^= 1
    with open(out('bad.mkv'), 'wb') as file:
        file.write(data)
    done = run(['ffmpeg', '-v', 'error', '-err_detect', 'crccheck', '-i', out('bad.mkv'), '-f',
                'null', '-'])
    TAP.ok('CRC' in done.stderr.upper(), 'a flipped bit is caught by a slice checksum', done.stderr)
    for name, least in [('a.mp4', 38), ('a5.mp4', 38), ('a.mov', 42)]:
        worst = min(psnr(out(name), out('a.mkv')))
        TAP.ok(worst > least, f'{name}: luma within {least} dB of the lossless one', worst)


def write_png(path, width, height, rgb):
    """A flat 8-bit colour PNG."""
    def chunk(kind, data):
        body = kind + data
        return struct.pack('>I', len(data)) + body + struct.pack('>I', zlib.crc32(body))
    rows = (b'\0' + bytes(rgb) * width) * height
    with open(path, 'wb') as file:
        file.write(b'\x89PNG\r\n\x1a\n' +
                   chunk(b'IHDR', struct.pack('>IIBBBBB', width, height, 8, 2, 0, 0, 0)) +
                   chunk(b'IDAT', zlib.compress(rows, 1)) + chunk(b'IEND', b''))


def check_colour():
    """A flat still comes out as the standards say: sRGB (IEC 61966-2-1) to light, from it what a
    BT.1886 display (black at zero) shows as that light."""
    reel = copy_reel('flat')
    rgb = (200, 120, 40)
    for n in range(STILLS):
        write_png(still(reel, n), 640, 426, rgb)
    done = finish('-o', out('flat.mp4'), '--size', '240x180', '--quality', '1', reel=reel)
    TAP.ok(done.returncode == 0, 'a reel of PNG stills is made', done.stderr)
    coded = []
    for code in rgb:
        v = code / 255
        light = v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4
        coded.append(light ** (1 / 2.4))
    luma = 0.2126 * coded[0] + 0.7152 * coded[1] + 0.0722 * coded[2]
    want = [16 + 219 * luma, 128 + 224 * (coded[2] - luma) / 1.8556,
            128 + 224 * (coded[0] - luma) / 1.5748]
    raw = subprocess.run(['ffmpeg', '-v', 'error', '-i', out('flat.mp4'), '-frames:v', '1', '-f',
                          'rawvideo', '-pix_fmt', 'yuv420p', '-'], capture_output=True,
                         check=True).stdout
    planes = [raw[:240 * 180], raw[240 * 180:240 * 180 * 5 // 4], raw[240 * 180 * 5 // 4:]]
    for plane, exact, name in zip(planes, want, ['Y', 'Cb', 'Cr']):
        side = 240 if name == 'Y' else 120
        middle = [plane[y * side + x] for y in range(len(plane) // side // 4,
                                                     len(plane) // side * 3 // 4)
                  for x in range(side // 4, side * 3 // 4)]
        TAP.near(sum(middle) / len(middle), exact, 0.3, f"a flat colour's {name}")
    shutil.rmtree(reel)


def check_rates():
    for cadence, rate, frames in [('24', '24/1', 16), ('29.97', '30000/1001', 20),
                                  ('50', '50/1', 34), ('native', '18/1', 12)]:
        path = out('rate.mp4')
        finish('-o', path, '--size', '240x180', '--cadence', cadence)
        video = probe(path)['streams'][0]
        TAP.equal((video['r_frame_rate'], video['nb_frames']), (rate, str(frames)),
                  f'cadence {cadence}')
    reel = copy_reel('slow')
    db = sqlite3.connect(os.path.join(reel, 'reel.db'))
    db.execute("update meta set value = '50/3' where key = 'fps'")
    db.commit()
    db.close()
    for name in ['slow.mp4', 'slow.mkv']:
        finish('-o', out(name), '--size', '240x180', reel=reel)
        TAP.equal(probe(out(name))['streams'][0]['r_frame_rate'], '50/3', f'{name}: 16 2/3 a second')
    shutil.rmtree(reel)


def check_part_and_trace():
    whole = framemd5()
    TAP.equal(framemd5('--from', 4, '--to', 6), whole[4:7], '--from 4 --to 6 are frames 4, 5, 6')
    trace = out('trace.jsonl')
    done = finish('--codec', 'null', '--size', '240x180', '--trace', trace)
    TAP.ok(done.returncode == 0, 'codec null needs no file', done.stderr)
    lines = [json.loads(line) for line in open(trace, encoding='utf-8')]
    TAP.equal([line['out'] for line in lines], list(range(STILLS)), 'the trace counts outputs')
    TAP.equal([line['frames'] for line in lines], [[n] for n in range(STILLS)],
              'the trace names film frames')
    db = sqlite3.connect(os.path.join(REEL, 'reel.db'))
    rows = db.execute('select a, b, c, d, e, f from geometry order by n').fetchall()
    db.close()
    # film (4.32, 0), the middle of a Super 8 picture, lies in the middle of the frame
    worst = 0.0
    for line, (a, b, c, d, e, f) in zip(lines, rows):
        x, y = a * 4.32 + c, d * 4.32 + f
        (p, q, r), (s, t, u) = line['still_to_out']
        worst = max(worst, abs(p * x + q * y + r - 119.5), abs(s * x + t * y + u - 89.5))
    TAP.near(worst, 0, 1e-6, 'still_to_out lays the film where it belongs')
    finish('--codec', 'null', '--size', '240x180', '--cadence', '24', '--from', 3, '--to', 5,
           '--trace', trace)
    lines = [json.loads(line) for line in open(trace, encoding='utf-8')]
    TAP.equal([(line['out'], line['frames'][0]) for line in lines],
              [(4, 3), (5, 3), (6, 4), (7, 5)], 'a part keeps the numbers of the whole: 2:1:1')


def check_clean_up():
    """What the usual stages did is in the trace; each can be left out."""
    def trace_of(*arguments):
        path = out('clean.jsonl')
        done = finish('--codec', 'null', '--size', '480x360', '--trace', path, *arguments, clean=True)
        TAP.ok(done.returncode == 0, f'clean-up runs: {" ".join(arguments) or "as usual"}', done.stderr)
        return [json.loads(line) for line in open(path, encoding='utf-8')]
    usual = trace_of()
    TAP.ok(any(line['gain'] != [1, 1, 1] for line in usual), 'flicker shows in the gains')
    TAP.ok(sum(line['blemish_pixels'] for line in usual) > 0, 'repaired pixels are counted')
    bare = trace_of('--skip', 'flicker,blemish')
    TAP.ok(all(line['gain'] == [1, 1, 1] and line['blemish_pixels'] == 0 for line in bare),
           'skipped stages do nothing')
    off = trace_of('--set', 'flicker.strength=0', '--set', 'blemish.dirt=off',
                   '--set', 'blemish.scratches=off', '--set', 'blemish.hairs=off')
    TAP.ok(all(line['gain'] == [1, 1, 1] and line['blemish_pixels'] == 0 for line in off),
           'and so do those that are set to nothing')


def check_mask_kinds():
    """Each kind of blemish has its own channel, and the trace counts it."""
    reel, path, log = REEL, out('kinds.mkv'), out('kinds.jsonl')
    kinds, names = {'dirt': 0, 'scratch': 1, 'hair': 2}, {'dirt': 'dirt', 'scratch': 'scratches', 'hair': 'hairs'}
    for alone in [None, *kinds]:
        settings = [f'--set=blemish.{names[k]}=off' for k in kinds if alone not in (None, k)]
        done = finish('--codec', 'null', '--size', '480x360', '--mask', path, '--trace', log, *settings, reel=reel, clean=True)
        TAP.ok(done.returncode == 0, f'a mask of {alone or "all kinds"}', done.stderr)
        raw = subprocess.run(['ffmpeg', '-v', 'error', '-i', path, '-pix_fmt', 'rgb24', '-f', 'rawvideo', '-'],
                             check=True, stdout=subprocess.PIPE).stdout
        lines = [json.loads(line) for line in open(log, encoding='utf-8')]
        size = 3 * 480 * 360
        shown = [{k: any(raw[n * size + c:(n + 1) * size:3]) for k, c in kinds.items()} for n in range(len(raw) // size)]
        TAP.equal(shown, [{k: line['repaired'][k] > 0 for k in kinds} for line in lines],
                  'the channel of each kind shows what the trace counts of it')
        seen = {k for s in shown for k in s if s[k]}
        TAP.ok(seen <= {alone} if alone else {'dirt', 'scratch'} <= seen, 'and no other', seen)
        TAP.ok(all(line['blemish_pixels'] == sum(line['repaired'].values()) for line in lines), 'the sum is theirs')


def check_refused_scratch():
    """A scratch that a person keeps on one frame stays there, and is taken off all others."""
    reel, path, log = copy_reel('scratched'), out('kept.mkv'), out('kept.jsonl')
    def run_it():
        done = finish('--codec', 'null', '--size', '480x360', '--mask', path, '--trace', log,
                      '--set', 'blemish.dirt=off', '--set', 'blemish.hairs=off', reel=reel, clean=True)
        assert done.returncode == 0, done.stderr
        return [json.loads(line) for line in open(log, encoding='utf-8')]
    lines = run_it()
    before = [line['repaired']['scratch'] for line in lines]
    n = before.index(max(before))
    raw = subprocess.run(['ffmpeg', '-v', 'error', '-i', path, '-vf', f'select=eq(n\\,{n})', '-frames:v', '1', '-pix_fmt',
                          'rgb24', '-f', 'rawvideo', '-'], check=True, stdout=subprocess.PIPE).stdout
    green = [i % 480 for i in range(480 * 360) if raw[3 * i + 1]]
    usual = max(set(green), key=green.count)
    one = [g for g in green if abs(g - usual) < 12]
    x, y = (min(one) + max(one)) / 2, 179.5
    (a, _, c), (_, e, f) = lines[n]['frame']
    (_, _, sx), (_, _, sy) = lines[n]['steady']
    db = sqlite3.connect(os.path.join(reel, 'reel.db'))
    db.execute('insert into choice (scope, key, value) values (?, ?, ?)',
               (f'frame:{n}', 'blemish.spots', f'{(x - c) / a - sx} {(y - f) / e - sy} leave'))
    db.commit()
    db.close()
    after = [line['repaired']['scratch'] for line in run_it()]
    TAP.ok(before[n] > 0 and after[n] < before[n], 'a scratch that a person keeps stays', (before[n], after[n]))
    TAP.equal(after[:n] + after[n + 1:], before[:n] + before[n + 1:], 'on that frame alone')
    shutil.rmtree(reel)


def mask_of(reel, *arguments):
    """What --mask shows of dirt, frame by frame: the set of pixels (x, y) that are not black."""
    path = out('mask.mkv')
    done = finish('--codec', 'null', '--size', '480x360', '--mask', path, '--set', 'blemish.scratches=off', *arguments, reel=reel, clean=True)
    assert done.returncode == 0, done.stderr
    raw = subprocess.run(['ffmpeg', '-v', 'error', '-i', path, '-pix_fmt', 'gray', '-f', 'rawvideo', '-'],
                         check=True, stdout=subprocess.PIPE).stdout
    size = 480 * 360
    return [{(i % 480, i // 480) for i in range(size) if raw[n * size + i] > 8} for n in range(len(raw) // size)]


def check_mask():
    """The mask shows what the trace counts, and a person's word keeps a spot as it was."""
    reel, path = copy_reel('spotted'), out('mask.jsonl')
    before = mask_of(reel, '--trace', path)
    lines = [json.loads(line) for line in open(path, encoding='utf-8')]
    TAP.equal([bool(pixels) for pixels in before], [line['blemish_pixels'] > 0 for line in lines],
              'the mask is not black on the frames that were repaired')
    n = max(range(STILLS), key=lambda k: len(before[k]))
    spot, rest = set(), [min(before[n])]
    while rest:  # one blemish of it
        x, y = rest.pop()
        if (x, y) in before[n] - spot:
            spot.add((x, y))
            rest += [(x + i, y + j) for i in range(-2, 3) for j in range(-2, 3)]
    x, y = [(min(p[k] for p in spot) + max(p[k] for p in spot)) / 2 for k in range(2)]
    (a, _, c), (_, e, f) = lines[n]['frame']
    (_, _, sx), (_, _, sy) = lines[n]['steady']
    db = sqlite3.connect(os.path.join(reel, 'reel.db'))
    db.execute('insert into choice (scope, key, value) values (?, ?, ?)',
               (f'frame:{n}', 'blemish.spots', f'{(x - c) / a - sx} {(y - f) / e - sy} leave'))
    db.commit()
    db.close()
    after = mask_of(reel)
    TAP.ok(not after[n] & spot, 'a spot that a person keeps is left alone', (n, x, y, after[n] & spot))
    TAP.equal(after[:n] + after[n + 1:], before[:n] + before[n + 1:], 'and nothing else changes')
    TAP.ok(after[n] == before[n] - spot, 'nor on its own frame')
    shutil.rmtree(reel)


def check_orientation():
    """Film photographed any way round gives the same movie: never mirrored, perforation left."""
    base = out('upright.mkv')
    finish('-o', base, '--size', '240x180', '--only', 'register')
    for turn, mirrored in [(90, False), (180, False), (270, False), (0, True), (90, True)]:
        folder = out('turned')
        subprocess.run([MAKE_REEL, folder, 'super8', str(STILLS), '640', '640' if turn % 180 else
                        '426', str(turn), *(['mirrored'] if mirrored else [])], check=True)
        reel = os.path.join(folder, 'regatta')
        best = {}
        for way in ['normal', 'turned']:
            finish('-o', out('turned.mkv'), '--size', '240x180', '--way-up', way, reel=reel)
            best[way] = min(psnr(out('turned.mkv'), base))
        name = f'turned by {turn}' + (', mirrored' if mirrored else '')
        # grain and dirt are other ones at another geometry: a mirrored picture scores below 20
        TAP.ok(max(best.values()) > 25 and min(best.values()) < 20,
               f'a still {name} shows the same picture one way up', best)
        shutil.rmtree(folder)
    finish('-o', out('mirror.mkv'), '--size', '240x180', '--mirror')
    run(['ffmpeg', '-v', 'error', '-y', '-i', out('mirror.mkv'), '-vf', 'hflip', '-c:v', 'ffv1',
         out('back.mkv')])
    TAP.ok(min(psnr(out('back.mkv'), base)) > 45, '--mirror mirrors')


def check_choices():
    reel = copy_reel('chosen')
    plain = framemd5(reel=reel)
    db = sqlite3.connect(os.path.join(reel, 'reel.db'))

    def choose(key, value):
        db.execute('delete from choice')
        if value is not None:
            db.execute('insert into choice (scope, key, value) values (?, ?, ?)',
                       ('reel', key, value))
        db.commit()
    choose('way_up', '-1')
    turned = framemd5(reel=reel)
    choose('way_up', None)
    TAP.equal(turned, framemd5('--way-up', 'turned', reel=reel), 'choice and option way-up agree')
    TAP.ok(turned != plain, 'way-up turns the picture')
    choose('crop.scale', '0.8')
    TAP.ok(framemd5(reel=reel) != plain, 'a crop changes the picture')
    choose('crop.scale', 'wide')
    done = finish('--codec', 'null', reel=reel)
    TAP.ok(done.returncode == 1 and one_line(done) and 'crop.scale' in done.stderr,
           'a choice that makes no sense is named', done.stderr)
    choose('fps', '24')
    finish('-o', out('fps.mp4'), '--size', '240x180', reel=reel)
    TAP.equal(probe(out('fps.mp4'))['streams'][0]['r_frame_rate'], '24/1', 'a chosen film speed')
    db.close()
    shutil.rmtree(reel)


# ---- sound ----

def check_sound():
    tone = out('tone.wav')
    with wave.open(tone, 'wb') as file:
        file.setparams((1, 2, 22050, 0, 'NONE', 'not compressed'))
        # a second of silence but for a click at 0.5 s
        file.writeframes(b''.join(struct.pack('<h', 20000 if 11000 <= i < 11050 else 0)
                                  for i in range(22050)))
    length = STILLS / 18
    for name, codec in [('s.mp4', 'aac'), ('s.mkv', 'flac'), ('s.mov', 'pcm_s24le')]:
        done = finish('-o', out(name), '--size', '240x180', '--sound', tone)
        TAP.ok(done.returncode == 0, f'{name} is made', done.stderr)
        audio = [s for s in probe(out(name))['streams'] if s['codec_type'] == 'audio']
        TAP.equal([s['codec_name'] for s in audio], [codec], f'{name}: its sound is {codec}')
        raw = subprocess.run(['ffmpeg', '-v', 'error', '-i', out(name), '-map', '0:a', '-ac', '1',
                              '-ar', '48000', '-f', 's16le', '-'], capture_output=True,
                             check=True).stdout
        samples = struct.unpack(f'<{len(raw) // 2}h', raw)
        TAP.near(len(samples) / 48000, length, 0.025 if codec == 'aac' else 1e-4,
                 f'{name}: sound ends with the picture')
        loudest = max(range(len(samples)), key=lambda i: abs(samples[i]))
        TAP.near(loudest / 48000, 0.5, 0.005, f'{name}: the click keeps its place')
    done = finish('-o', out('part.mkv'), '--size', '240x180', '--sound', tone, '--from', 6)
    raw = subprocess.run(['ffmpeg', '-v', 'error', '-i', out('part.mkv'), '-map', '0:a', '-ac', '1',
                          '-f', 's16le', '-'], capture_output=True, check=True).stdout
    samples = struct.unpack(f'<{len(raw) // 2}h', raw)
    loudest = max(range(len(samples)), key=lambda i: abs(samples[i]))
    TAP.near(loudest / 48000, 0.5 - 6 / 18, 0.005, 'a part begins within the sound')
    with open(out('text.wav'), 'w', encoding='ascii') as file:
        file.write('no sound at all\n' * 100)
    for bad in [out('text.wav'), out('none.wav'), out('a.mp4')]:
        done = finish('-o', out('bad.mp4'), '--size', '240x180', '--sound', bad)
        TAP.ok(done.returncode == 1 and one_line(done) and bad in done.stderr and
               not os.path.exists(out('bad.mp4')),
               f'{os.path.basename(bad)} is no sound: one line, no movie', done.stderr)
    done = finish('--codec', 'null', '--sound', tone)
    TAP.ok(done.returncode == 2 and one_line(done), 'a codec without sound says so', done.stderr)


# ---- broken stills ----

def held_frames(reel, *arguments):
    trace = out('held.jsonl')
    done = finish('--codec', 'null', '--size', '240x180', '--trace', trace, *arguments, reel=reel)
    lines = [json.loads(line) for line in open(trace, encoding='utf-8')] \
        if done.returncode == 0 else []
    return done, {line['out']: line['frames'] for line in lines if line['held']}, len(lines)


def check_broken_stills():
    whole = framemd5()
    for what in ['truncated', 'zero bytes', 'text', 'missing']:
        reel = copy_reel('broken')
        path = still(reel, 5)
        if what == 'truncated':
            os.truncate(path, os.path.getsize(path) // 2)
        elif what == 'zero bytes':
            os.truncate(path, 0)
        elif what == 'text':
            with open(path, 'w', encoding='ascii') as file:
                file.write('Dear diary\n' * 1000)
        else:
            os.remove(path)
        done, held, count = held_frames(reel)
        TAP.ok(done.returncode == 0 and count == STILLS and held == {5: [4]},
               f'{what}: frame 5 is held from frame 4, nothing else is', (done.stderr, held))
        TAP.ok(len(notes(done)) == 1 and 'Frame 5' in done.stderr and
               os.path.basename(path) in done.stderr, f'{what}: one line names frame and file',
               done.stderr)
        TAP.ok('1 of them' in done.stdout, f'{what}: the count is told', done.stdout)
        broken = framemd5(reel=reel)
        TAP.equal(broken[:5] + broken[6:], whole[:5] + whole[6:], f'{what}: the others are untouched')
        TAP.equal(framemd5('--from', 5, '--to', 5, reel=reel), broken[5:6],
                  f'{what}: alone it is the same')
        shutil.rmtree(reel)
    # known beforehand: no note, and a blend can be had
    reel = copy_reel('known')
    db = sqlite3.connect(os.path.join(reel, 'reel.db'))
    db.execute('update still set state = 2 where id = (select still from frame where n = 5)')
    db.execute('update frame set still = 0 where n = 7')
    db.execute('update frame set doubled_of = 8 where n = 9')
    db.commit()
    db.close()
    done, held, count = held_frames(reel)
    TAP.ok(held == {5: [4], 7: [6]} and count == STILLS - 1 and not notes(done),
           'damaged and missing frames are held, a doubled one is used once', (done.stderr, held))
    done, held, count = held_frames(reel, '--missing', 'blend')
    TAP.equal(held, {5: [4, 6], 7: [6, 8]}, 'or blended from their neighbours')
    shutil.rmtree(reel)


def check_other_size():
    """A still of half the size in the middle, with its own geometry, shows the same picture."""
    reel = copy_reel('sizes')
    path = still(reel, 5)
    run(['ffmpeg', '-v', 'error', '-y', '-i', path, '-vf', 'scale=320:212:flags=area',
         '-q:v', '1', '-pix_fmt', 'yuvj444p', out('half.jpg')])
    shutil.copy(out('half.jpg'), path)
    db = sqlite3.connect(os.path.join(reel, 'reel.db'))
    sx, sy = 320 / 640, 212 / 426  # pixel centres: x' = (x + 0.5) s - 0.5
    db.execute('update geometry set a = a * ?1, b = b * ?1, c = (c + 0.5) * ?1 - 0.5, d = d * ?2, '
               'e = e * ?2, f = (f + 0.5) * ?2 - 0.5 where n = 5', (sx, sy))
    db.commit()
    db.close()
    done = finish('-o', out('sizes.mkv'), '--size', '240x180', reel=reel)
    TAP.ok(done.returncode == 0, 'a still of another size is no trouble', done.stderr)
    values = psnr(out('sizes.mkv'), out('a.mkv'))
    TAP.ok(values[5] > 30 and min(values[:5] + values[6:]) > 90,
           'it shows the same picture, the others are untouched', values)
    shutil.rmtree(reel)


def check_unsurveyed():
    reel = copy_reel('raw')
    db = sqlite3.connect(os.path.join(reel, 'reel.db'))
    db.execute('delete from geometry')
    db.commit()
    done = finish('-o', out('raw.mp4'), reel=reel)
    TAP.ok(done.returncode == 1 and one_line(done) and f'reelwright survey {reel}' in done.stderr,
           'an unsurveyed reel: run survey first', done.stderr)
    db.execute('update frame set still = 0')
    db.commit()
    db.close()
    done = finish('-o', out('raw.mp4'), reel=reel)
    TAP.ok(done.returncode == 1 and one_line(done), 'a reel without stills says so', done.stderr)
    TAP.ok(not os.path.exists(out('raw.mp4')), 'and makes nothing')
    shutil.rmtree(reel)


# ---- wrong use ----

def check_usage():
    movie = out('never.mp4')
    for arguments, word in [
            ([], 'output'), (['-o', out('movie.xyz')], 'codec'), (['-o', movie, '--codec', 'vhs'], 'codec'),
            (['-o', movie, '--size', '641x480'], 'size'), (['-o', movie, '--cadence', 'fast'], ''),
            (['-o', movie, '--quality', '99'], 'quality'), (['-o', movie, '--only', 'wobble'], 'wobble'),
            (['-o', movie, '--skip', 'wobble'], 'wobble'), (['-o', movie, '--set', 'noop.echo=7'], 'echo'),
            (['-o', movie, '--set', 'noop.volume=7'], 'volume'), (['-o', movie, '--set', 'noop'], 'noop'),
            (['-o', movie, '--from', '9', '--to', '3'], 'from'), (['-o', movie, '--from', '500'], '500'),
            (['-o', movie, '--way-up', 'sideways'], 'way-up'), (['-o', movie, '--missing', 'paint'], 'missing'),
            (['-o', movie, '--threads', '-1'], 'threads')]:
        done = run([REELWRIGHT, 'finish', REEL, *arguments])
        TAP.ok(done.returncode == 2 and one_line(done) and word in done.stderr,
               f'wrong use: {" ".join(arguments[2:]) or "nothing"}', done.stderr)
    TAP.ok(not os.path.exists(movie), 'wrong use makes nothing')
    done = finish('--codec', 'null', '--size', '240x180', '--only', 'register,grain')
    absent = 'no stage "grain"' in done.stderr
    TAP.ok(done.returncode == 0 and len(notes(done)) == absent,
           'a stage of the contract is known; one without a row is named once', done.stderr)
    done = finish('--codec', 'null', reel=out('nowhere'))
    TAP.ok(done.returncode == 1 and one_line(done), 'no reel there: one line', done.stderr)
    done = finish('-o', movie, '--memory', '1')
    TAP.ok(done.returncode == 1 and one_line(done) and '--memory' in done.stderr,
           'too little memory names what is needed', done.stderr)


# ---- where it goes ----

def leftovers(folder):
    return [name for name in os.listdir(folder) if '.part-' in name]


def check_places():
    folder = out('nowhere-to-write')
    done = finish('-o', os.path.join(folder, 'a.mp4'))
    TAP.ok(done.returncode == 1 and one_line(done), 'no such folder: one line', done.stderr)
    os.mkdir(folder)
    if os.geteuid() == 0:
        TAP.skip('root may write into read-only folders')
    else:
        os.chmod(folder, 0o500)
        done = finish('-o', os.path.join(folder, 'a.mp4'))
        TAP.ok(done.returncode == 1 and one_line(done), 'a read-only folder: one line', done.stderr)
        os.chmod(folder, 0o700)
    done = finish('-o', folder, '--codec', 'h264')
    TAP.ok(done.returncode == 1 and one_line(done), 'a folder for a file: one line', done.stderr)

    # a movie that stands there already stays until the new one is whole
    keep = os.path.join(folder, 'keep.mkv')
    with open(keep, 'w', encoding='ascii') as file:
        file.write('an older movie')

    def small_files():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (200000, 200000))
    for name in ['keep.mkv', 'new.mp4', 'new.mov']:
        best = ['--quality', '1'] if name == 'new.mp4' else []
        done = finish('-o', os.path.join(folder, name), '--size', '480x360', *best,
                      preexec_fn=small_files)
        TAP.ok(done.returncode == 1 and one_line(done) and not leftovers(folder),
               f'{name}: a limit on file size is one line and leaves no half file', done.stderr)
    TAP.equal(open(keep, encoding='ascii').read(), 'an older movie', 'what stood there stays')
    check_full_disk(folder)


def check_full_disk(folder):
    """On a file system of one megabyte, in a mount name space of our own."""
    script = 'mount -t tmpfs -o size=1m none "$1" && shift && "$@"; code=$?; ls -A "$0"; exit $code'
    probe_ = run(['unshare', '-rm', 'mount', '-t', 'tmpfs', 'none', folder])
    if probe_.returncode:
        TAP.skip('no mount name space here')
        return
    for name in ['full.mkv', 'full.mp4', 'full.mov']:
        done = run(['unshare', '-rm', 'sh', '-c', script, folder, folder, REELWRIGHT, 'finish', REEL,
                    '-o', os.path.join(folder, name), '--size', '960x720', '--threads', '2',
                    *(['--quality', '1'] if name.endswith('mp4') else [])])
        TAP.ok(done.returncode == 1 and one_line(done) and 'No space left' in done.stderr and
               not done.stdout.strip(), f'{name}: a full disk is one line and leaves nothing',
               done.stdout + done.stderr)


def check_interrupt():
    path = out('cut.mkv')
    with subprocess.Popen([REELWRIGHT, 'finish', REEL, '-o', path, '--size', '1440x1080',
                           '--cadence', '60', '--threads', '1', '--trace', out('cut.jsonl')],
                          stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as child:
        for _ in range(400):
            if leftovers(WORK):
                break
            time.sleep(0.01)
        child.send_signal(signal.SIGINT)
        stdout, stderr = child.communicate(timeout=60)
    lines = [line for line in stderr.splitlines() if line.startswith('reelwright')]
    TAP.ok(child.returncode == 1 and len(lines) == 1 and not stdout, 'interrupted: one line',
           stdout + stderr)
    TAP.ok(not leftovers(WORK) and not os.path.exists(path) and
           not os.path.exists(out('cut.jsonl')), 'interrupted: nothing is left', os.listdir(WORK))


def main():
    subprocess.run([MAKE_REEL, WORK, 'super8', str(STILLS), '640', '426'], check=True)
    try:
        if not shutil.which('ffprobe') or not shutil.which('ffmpeg'):
            TAP.skip('needs ffprobe and ffmpeg')
        else:
            for check in [check_movies, check_lossless, check_colour, check_rates,
                          check_part_and_trace, check_clean_up, check_mask_kinds, check_refused_scratch, check_mask, check_orientation, check_choices, check_sound,
                          check_other_size]:
                check()
        check_broken_stills()
        check_unsurveyed()
        check_usage()
        check_places()
        check_interrupt()
    finally:
        shutil.rmtree(WORK)
    TAP.done()


main()
