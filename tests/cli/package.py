#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A preservation package: by RFC 8493, as read here with Python's own hashes; and its check.

    tests/cli/package.py REELWRIGHT"""
import hashlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree as xml

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
from tap import Tap, run  # noqa: E402

TITLE = 'Harbour & <regatta>'
DC = '{http://purl.org/dc/elements/1.1/}'
PREMIS = '{http://www.loc.gov/premis/v3}'


def content(path):
    with open(path, 'rb') as file:
        return file.read()


def tree(folder):
    """Path in the folder -> content."""
    return {os.path.relpath(os.path.join(where, name), folder): content(os.path.join(where, name))
            for where, _, names in os.walk(folder) for name in names}


def faults_of(bag):
    """What RFC 8493 has against a bag: sections 2.1.1 (declaration), 2.1.3 (manifests, every payload
    file in each), 2.2.1 (tag manifests), 2.2.2 (Payload-Oxum)."""
    files, faults = tree(bag), []
    if files.get('bagit.txt') != b'BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n':
        faults.append('bagit.txt')
    payload = {path for path in files if path.startswith('data/')}
    for kind in ('manifest', 'tagmanifest'):
        for algorithm in ('sha256', 'sha512'):
            listed = {}
            for line in files.get(f'{kind}-{algorithm}.txt', b'').decode().splitlines():
                digest, path = line.split(None, 1)
                listed[path.replace('%0A', '\n').replace('%0D', '\r').replace('%25', '%')] = digest
            faults += [f'{kind}-{algorithm}: {path}' for path, digest in listed.items()
                       if path not in files or
                       hashlib.new(algorithm, files[path]).hexdigest() != digest]
            if kind == 'manifest' and set(listed) != payload:
                faults.append(f'{kind}-{algorithm} lists other files than there are')
            if kind == 'tagmanifest' and not {'bagit.txt', 'bag-info.txt', 'manifest-sha256.txt',
                                              'manifest-sha512.txt'} <= set(listed):
                faults.append(f'{kind}-{algorithm} does not list the tag files')
    oxum = f'{sum(len(files[path]) for path in payload)}.{len(payload)}'
    if f'Payload-Oxum: {oxum}\n' not in files.get('bag-info.txt', b'').decode():
        faults.append(f'Payload-Oxum is not {oxum}')
    if not re.search(r'^Bagging-Date: \d{4}-\d\d-\d\d$', files['bag-info.txt'].decode(), re.M):
        faults.append('Bagging-Date')
    return faults


def check_content(tap, bag, reel, card):
    taken = {os.path.basename(path): data for path, data in tree(card).items()
             if path.upper().endswith('.JPG')}
    kept = {os.path.basename(path): data
            for path, data in tree(os.path.join(bag, 'data', 'stills')).items()}
    tap.ok(taken == kept, 'the originals are the card\'s, byte for byte')
    tap.equal(content(os.path.join(bag, 'data', 'out', 'movie.mp4')), b'no movie, but a file',
              'what lies in out/ is in')
    tap.ok(not os.path.exists(os.path.join(bag, 'data', 'out', '.half.part')),
           'what is being written in out/ is not')
    names = os.listdir(os.path.join(bag, 'data', 'documents'))
    tap.equal(sorted(names), ['findings.json', 'report.html', 'survey.json'], 'the documents')
    with open(os.path.join(bag, 'data', 'documents', 'survey.json'), encoding='utf-8') as file:
        tap.equal(len(json.load(file)['frames']), 12, 'the survey is readable without us')
    copy = os.path.join(os.path.dirname(bag), 'restored')
    shutil.copytree(os.path.join(bag, 'data'), copy)
    tap.equal(json.loads(run([*reel[:1], 'findings', copy, '--json']).stdout),
              json.loads(run([*reel[:1], 'findings', reel[1], '--json']).stdout),
              'restored, the payload is the reel')


def check_descriptions(tap, bag):
    core = xml.parse(os.path.join(bag, 'data', 'metadata', 'dublin-core.xml')).getroot()
    tap.equal(core.findtext(DC + 'title'), TITLE, 'Dublin Core: the title, escaped')
    tap.equal([e.text for e in core.findall(DC + 'creator')], ['A <b>', 'C & D'],
              'Dublin Core: what was said, as often as it was')
    premis = xml.parse(os.path.join(bag, 'data', 'metadata', 'premis.xml')).getroot()
    tap.equal(premis.tag, PREMIS + 'premis', 'PREMIS 3')
    told = {}
    for thing in premis.findall(PREMIS + 'object'):
        path = thing.findtext(f'{PREMIS}objectIdentifier/{PREMIS}objectIdentifierValue')
        told[path] = [f.findtext(PREMIS + 'messageDigest')
                      for f in thing.iter(PREMIS + 'fixity')]
    files = {'data/' + path: data for path, data in tree(os.path.join(bag, 'data')).items()
             if path != 'metadata/premis.xml'}
    tap.equal(told, {path: [hashlib.sha256(data).hexdigest(), hashlib.sha512(data).hexdigest()]
                     for path, data in files.items()}, 'PREMIS: every file with its digests')
    events = [e.findtext(PREMIS + 'eventType') for e in premis.findall(PREMIS + 'event')]
    tap.ok({'ingestion', 'fixity check', 'information package creation'} <= set(events),
           'PREMIS: what was done', events)


def check_checks(tap, reelwright, bag):
    before = tree(bag)
    good = run([reelwright, 'package', '--check', bag, '--json'])
    tap.ok(good.returncode == 0 and json.loads(good.stdout)['valid'], 'a whole package passes',
           good.stdout + good.stderr)
    still = next(p for p in sorted(before) if p.startswith('data/stills/'))
    full = os.path.join(bag, still)

    data = bytearray(before[still])
    data[len(data) // 2] ^= 1
    with open(full, 'wb') as file:
        file.write(data)
    bad = run([reelwright, 'package', '--check', bag])
    tap.ok(bad.returncode == 1 and still in bad.stdout and 'changed' in bad.stdout,
           'one bit is found', bad.stdout + bad.stderr)
    os.remove(full)
    bad = run([reelwright, 'package', '--check', bag])
    tap.ok(bad.returncode == 1 and f'{still} is missing' in bad.stdout, 'a lost file is found',
           bad.stdout)
    with open(full, 'wb') as file:
        file.write(before[still])
    stray = os.path.join(bag, 'data', 'stills', 'stray.txt')
    with open(stray, 'w', encoding='utf-8') as file:
        file.write('x')
    bad = run([reelwright, 'package', '--check', bag, '--json'])
    tap.ok(bad.returncode == 1 and any('stray.txt' in t for t in json.loads(bad.stdout)['troubles']),
           'a file that nobody listed is found', bad.stdout)
    os.remove(stray)
    with open(os.path.join(bag, 'bag-info.txt'), 'a', encoding='utf-8') as file:
        file.write('Contact-Name: somebody\n')
    bad = run([reelwright, 'package', '--check', bag])
    tap.ok(bad.returncode == 1 and 'bag-info.txt' in bad.stdout, 'a changed tag file is found',
           bad.stdout)
    with open(os.path.join(bag, 'bag-info.txt'), 'wb') as file:
        file.write(before['bag-info.txt'])
    tap.ok(run([reelwright, 'package', '--check', bag]).returncode == 0 and tree(bag) == before,
           'put right it passes again; a check changes nothing')
    nothing = run([reelwright, 'package', '--check', os.path.dirname(bag)])
    tap.ok(nothing.returncode == 1 and nothing.stderr.count('\n') == 1, 'a folder that is no package',
           nothing.stderr)


def check_foreign(tap, reelwright, folder):
    """A bag as another program would make it: one algorithm, no tag manifest, a line in capitals."""
    bag = os.path.join(folder, 'foreign')
    os.makedirs(os.path.join(bag, 'data'))
    for path, data in {'data/a b.txt': b'abc', 'bagit.txt': b'BagIt-Version: 0.97\r\n'
                       b'Tag-File-Character-Encoding: UTF-8\r\n',
                       # MD5 of "abc": RFC 1321, A.5
                       'manifest-md5.txt': b'900150983CD24FB0D6963F7D28E17F72  data/a b.txt\r\n'
                       }.items():
        with open(os.path.join(bag, path), 'wb') as file:
            file.write(data)
    done = run([reelwright, 'package', '--check', bag])
    tap.ok(done.returncode == 0 and 'md5' in done.stdout, 'a bag of somebody else\'s is checked',
           done.stdout + done.stderr)
    for word in ('MD5', 'Md5', 'sha1', 'SHA1', 'sha256', 'SHA256', 'sha512'):
        with open(os.path.join(bag, f'manifest-{word}.txt'), 'w', encoding='utf-8') as file:
            file.write(f'{hashlib.new(word.lower(), b"abc").hexdigest()} data/a b.txt\n')
    done = run([reelwright, 'package', '--check', bag])
    tap.equal(done.returncode, 0, 'and with more lists than there are algorithms')


def check_lost(tap, reelwright, reel, folder):
    """An original that has changed makes no package; put back, the same command ends the work."""
    bag = os.path.join(folder, 'doubtful')
    still = next(p for p in sorted(tree(reel)) if p.startswith('stills/') and p.endswith('.JPG'))
    full = os.path.join(reel, still)
    good = content(full)
    with open(full, 'wb') as file:
        file.write(good[:-1] + b'x')
    done = run([reelwright, 'package', reel, bag])
    tap.ok(done.returncode == 1 and os.path.basename(still) in done.stderr and
           done.stderr.rstrip().splitlines()[-1].startswith('reelwright: ') and
           not os.path.exists(os.path.join(bag, 'bagit.txt')), 'a changed original stops it',
           done.stdout + done.stderr)
    tap.equal(content(full), good[:-1] + b'x', 'and is not touched')
    with open(full, 'wb') as file:
        file.write(good)
    done = run([reelwright, 'package', reel, bag, '--json'])
    tap.ok(done.returncode == 0 and json.loads(done.stdout)['kept'] >= 11 and not faults_of(bag),
           'put back, the same command goes on', done.stdout + done.stderr)
    again = run([reelwright, 'package', reel, bag])
    tap.ok(again.returncode == 1 and 'is a package already' in again.stderr,
           'a package is not written over', again.stderr)


def check_killed(tap, reelwright, reel, folder):
    for moment in range(6):
        bag = os.path.join(folder, f'killed-{moment}')
        process = subprocess.Popen([reelwright, 'package', reel, bag], stdout=subprocess.DEVNULL,
                                   stderr=subprocess.DEVNULL)
        while process.poll() is None and sum(len(names) for *_, names in os.walk(bag)) <= 3 * moment:
            time.sleep(0.001)
        process.send_signal(signal.SIGKILL)
        process.wait()
        if os.path.exists(os.path.join(bag, 'bagit.txt')):
            tap.equal(faults_of(bag), [], f'killed at moment {moment}, but done')
            continue
        done = run([reelwright, 'package', reel, bag])
        tap.ok(done.returncode == 0 and not faults_of(bag) and
               run([reelwright, 'package', '--check', bag]).returncode == 0,
               f'killed at moment {moment} and run again', done.stderr)


def check_words(tap, reelwright, reel, folder):
    for words, name in (([reel], 'no folder'), ([reel, folder + '/x', '--describe', 'when=1964'],
                                                'a word that is no element'),
                        (['--check', reel, folder], 'too many folders to check'),
                        ([reel, folder + '/x', '--threads', '999'], 'too many threads')):
        done = run([reelwright, 'package', *words])
        tap.ok(done.returncode == 2 and done.stderr.count('\n') == 1, f'wrong use: {name}',
               done.stderr)
    done = run([reelwright, 'package', reel, reel])
    tap.ok(done.returncode == 1 and 'not empty' in done.stderr, 'a folder that holds something else',
           done.stderr)


def main():
    reelwright, tap = sys.argv[1], Tap()
    with tempfile.TemporaryDirectory(prefix='rw-package-') as folder:
        demo, reel, bag = (os.path.join(folder, name) for name in ('demo', 'reel', 'bag'))
        run([reelwright, 'demo', demo, '--frames', '12', '--pixels', '600x400', '--no', 'faults'])
        run([reelwright, 'intake', os.path.join(demo, 'card'), reel, '--title', TITLE])
        run([reelwright, 'survey', reel])
        for name, data in (('movie.mp4', b'no movie, but a file'), ('.half.part', b'half')):
            with open(os.path.join(reel, 'out', name), 'wb') as file:
                file.write(data)
        done = run([reelwright, 'package', reel, bag, '--describe', 'creator=A <b>', '--describe',
                    'creator=C & D'])
        tap.ok(done.returncode == 0 and '12 originals' in done.stdout, 'a package is made',
               done.stdout + done.stderr)
        tap.equal(faults_of(bag), [], 'it is a complete and valid bag')
        check_content(tap, bag, [reelwright, reel], os.path.join(demo, 'card'))
        check_descriptions(tap, bag)
        check_checks(tap, reelwright, bag)
        check_foreign(tap, reelwright, folder)
        check_lost(tap, reelwright, reel, folder)
        check_killed(tap, reelwright, reel, folder)
        check_words(tap, reelwright, reel, folder)
    tap.done()


if __name__ == '__main__':
    main()
