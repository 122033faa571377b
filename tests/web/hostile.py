#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The bench against clients that mean harm: it goes on answering, and gives nothing away.

The attacks are common practice, no source.

    tests/web/hostile.py REELWRIGHT [SEED]"""
import json
import os
import random
import socket
import sqlite3
import sys
import threading
import time

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from bench_server import Bench  # noqa: E402
from tap import Tap  # noqa: E402

SECRET = b'the-secret-outside'
JSON = {'Content-Type': 'application/json'}


def leaks(bench, data):
    return SECRET in data or bench.token.encode() in data or b'root:' in data


def test_doors(t, b):
    """Token, Host, Origin, method."""
    wrong = [f'/{"A" * len(b.token)}/api/shelf', '/api/shelf', '/', '', f'/{b.token[:-1]}/api/shelf',
             f'/{b.token}x/api/shelf', f'/{b.token.swapcase()}/api/shelf', '//api/shelf',
             f'/x/../{b.token}/api/shelf', f'/%2e/{b.token}/api/shelf', '/?token=' + b.token]
    for path in wrong:
        status, _, body = b.ask('GET', path or '*', raw=True)
        t.ok(status in (400, 403) and b'regatta' not in body and not leaks(b, body),
             f'no token, no answer: {path[:20]!r}', (status, body))
    hosts = [None, '', 'example.org', f'example.org:{b.port}', '127.0.0.1', f'127.0.0.1:{b.port + 1}',
             f'127.0.0.1:{b.port}.example.org', f'localhost.example.org:{b.port}', f'127.0.0.1:{b.port}@x']
    for host in hosts:
        status, _, body = b.ask('GET', 'api/shelf', headers={'Host': host})
        t.ok(status in (400, 421) and not leaks(b, body) and b'regatta' not in body,
             f'Host {host!r} is refused', (status, body))
    for host in (f'localhost:{b.port}', f'[::1]:{b.port}', f'LOCALHOST:{b.port}'):
        t.equal(b.ask('GET', 'api/shelf', headers={'Host': host})[0], 200, f'Host {host} is ours')
    for origin in ('http://example.org', 'null', f'https://127.0.0.1:{b.port}', 'http://127.0.0.1',
                   f'http://127.0.0.1:{b.port}.example.org', f'http://localhost:{b.port + 1}'):
        status, headers, _ = b.ask('GET', 'api/shelf', headers={'Origin': origin})
        t.ok(status == 403 and not headers.get('Access-Control-Allow-Origin'),
             f'Origin {origin} is refused', status)
    own = {'Origin': f'http://127.0.0.1:{b.port}'}
    t.equal(b.ask('GET', 'api/shelf', headers=own)[0], 200, 'our own Origin passes')
    for method in ('PUT', 'DELETE', 'OPTIONS', 'TRACE', 'CONNECT', 'PATCH', 'FOO'):
        status, headers, _ = b.ask(method, 'api/shelf')
        t.ok(status in (400, 405), f'{method} is refused', status)
    t.equal(b.ask('HEAD', '')[2], b'', 'HEAD has no body')


def test_headers(t, b):
    for path in ('', 'js/main.js', 'api/shelf', 'nothing', 'picture/small/regatta/1'):
        _, headers, _ = b.ask('GET', path)
        csp = headers.get('Content-Security-Policy', '')
        t.ok("default-src 'none'" in csp and "script-src 'self'" in csp and 'unsafe' not in csp and
             headers.get('X-Content-Type-Options') == 'nosniff' and
             headers.get('Referrer-Policy') == 'no-referrer' and
             headers.get('Cross-Origin-Resource-Policy') == 'same-origin' and
             headers.get('X-Frame-Options') == 'DENY', f'headers that keep a page safe: {path!r}',
             headers)
    with socket.socket() as s:
        s.settimeout(2)
        own = socket.gethostbyname(socket.gethostname())
        reached = not own.startswith('127.') and s.connect_ex((own, b.port)) == 0
        t.ok(not reached, 'only loopback is listened on')


def plant(b):
    """Things outside that must not come in, and links to them from inside."""
    secret = os.path.join(b.folder, 'secret.mp4')
    with open(secret, 'wb') as f:
        f.write(SECRET)
    os.symlink(secret, os.path.join(b.reel, 'out', 'link.mp4'))
    os.symlink(b.folder, os.path.join(b.reel, 'out', 'folder'))
    os.symlink(b.reel, os.path.join(b.shelf, 'linked'))
    os.mkfifo(os.path.join(b.reel, 'out', 'pipe.mp4'))
    os.makedirs(os.path.join(b.shelf, 'half'))
    os.symlink(os.path.join(b.reel, 'reel.db'), os.path.join(b.shelf, 'half', 'reel.db'))


def test_paths(t, b):
    plant(b)
    escapes = ['../secret.mp4', '..%2fsecret.mp4', '%2e%2e/secret.mp4', '%2e%2e%2fsecret.mp4',
               '..%5csecret.mp4', '..%c0%afsecret.mp4', '%252e%252e%252fsecret.mp4', 'link.mp4',
               'folder', 'folder%2fsecret.mp4', '.%00.mp4', 'x%00.mp4', 'pipe.mp4', '%0a.mp4', '.', '..',
               '', '/etc/passwd', '%2fetc%2fpasswd', '....//secret.mp4', 'reel.db', '..%2freel.db',
               '..;/secret.mp4', '%u002e%u002e/secret.mp4']
    for name in escapes:
        status, _, body = b.ask('GET', f'movie/regatta/{name}')
        t.ok(status in (400, 403, 404) and not leaks(b, body), f'no movie by {name!r}', (status, body))
    reels = ['..', '%2e%2e', 'linked', 'half', '.', '', '..%2f', 'shelf', '%2e%2e%2fsecret', 'regatta%2f..',
             'regatta%00', '-x', 'no%20such', '%ff%fe', 'a' * 300]
    for name in reels:
        for rest in ('', '/choices', '/frame/0'):
            status, _, body = b.ask('GET', f'api/reel/{name}{rest}')
            t.ok(status in (400, 403, 404) and not leaks(b, body), f'no reel by {name[:20]!r}{rest}',
                 (status, body[:200]))
    for path in ('../meson.build', '%2e%2e%2fmeson.build', 'js/../../package.json', 'js/%2e%2e/index.html',
                 'css', 'js/', '.libraries.lock', 'node_modules/.package-lock.json', 'page.gresource.xml'):
        status, _, body = b.ask('GET', path)
        t.ok(status in (403, 404) and not leaks(b, body), f'no page file {path}', (status, body[:100]))


def test_foreign_reel(t, b):
    """A reel.db from a stranger that names files outside, or holds markup."""
    db = sqlite3.connect(os.path.join(b.reel, 'reel.db'))
    path = db.execute('select path from still where id=3').fetchone()[0]
    outside = os.path.join(b.folder, 'outside.jpg')
    with open(os.path.join(b.reel, path), 'rb') as f:
        picture = f.read()
    with open(outside, 'wb') as f:
        f.write(picture)
    os.symlink(outside, os.path.join(b.reel, 'stills', 'link.jpg'))
    small = os.path.join(b.reel, 'cache', '000003.jpg')
    os.rename(small, small + '.away')
    for name in ('stills/link.jpg', '../../outside.jpg', outside, 'stills/../../../outside.jpg', '', '.'):
        with db:
            db.execute('update still set path=? where id=3', (name,))
        for ask in ('picture/still/regatta/3?eighths=1', 'picture/small/regatta/3',
                    'picture/finished/regatta/2?w=64&h=48'):
            status, headers, body = b.ask('GET', ask)
            t.ok(status >= 400 and headers['Content-Type'] == 'application/json',
                 f'{ask.split("/")[1]} does not follow {name!r}', (status, headers['Content-Type']))
    with db:
        db.execute('update still set path=? where id=3', (path,))
    os.rename(small + '.away', small)
    t.equal(b.ask('GET', 'picture/finished/regatta/2?w=64&h=48')[0], 200, 'put right, it shows again')
    title = '<script>alert(1)</script>"\\\n\u2028\x01'
    status, said = b.post('api/reel/regatta/title', {'title': title})
    t.ok(status == 200 and said['title'] == title, 'a title comes back as it is, as JSON', said)
    t.equal(b.get('api/reel/regatta')[1]['title'], title, 'and stays so')
    db.close()


def test_locks(t, b):
    """The bench keeps its hold on reel.db whatever it looks at: another program that comes and goes must
    not take the log away (SQLite, How To Corrupt, 2.2 [M])."""
    b.post('api/reel/regatta/title', {'title': 'held'})
    for look in ('api/sources', 'api/shelf', 'api/reel/regatta/movies', 'movie/regatta/reel.db'):
        b.ask('GET', look)
    with sqlite3.connect(os.path.join(b.reel, 'reel.db')) as other:
        other.execute('select * from meta').fetchall()
    other.close()
    t.ok(os.path.exists(os.path.join(b.reel, 'reel.db-wal')), 'the log stays while the bench has the reel open')
    b.post('api/reel/regatta/title', {'title': 'kept'})
    other = sqlite3.connect(os.path.join(b.reel, 'reel.db'))
    t.equal(other.execute("select value from meta where key='title'").fetchone()[0], 'kept',
            'and what it writes is there for others')
    other.close()


def test_sizes(t, b):
    head = f'POST /{b.token}/api/jobs HTTP/1.1\r\nHost: 127.0.0.1:{b.port}\r\n' \
           'Content-Type: application/json\r\n'
    got = b.talk((head + 'Content-Length: 10000000000\r\n\r\n').encode())
    t.ok(b' 413 ' in got[:40], 'a huge body is refused before it is sent', got[:80])
    chunk = b'10000\r\n' + b' ' * 0x10000 + b'\r\n'
    got = b.talk((head + 'Transfer-Encoding: chunked\r\n\r\n').encode() + chunk * 64)
    t.ok(b' 200 ' not in got[:40], 'a body without an end is cut off', got[:80])
    for what, data in (('long address', f'GET /{b.token}/{"a" * 60000} HTTP/1.1\r\nHost: x\r\n\r\n'),
                       ('many headers', f'GET /{b.token}/ HTTP/1.1\r\n' + 'X-Y: z\r\n' * 8000 + '\r\n'),
                       ('long header', f'GET /{b.token}/ HTTP/1.1\r\nX: {"y" * 200000}\r\n\r\n'),
                       ('no line end', 'G' * 300000)):
        got = b.talk(data.encode())
        t.ok(b' 200 ' not in got[:40] and b.answers(), f'{what}: refused, goes on', got[:60])
    for what, body in (('deep', b'[' * 30000), ('deep object', b'{"a":' * 10000), ('empty', b''), ('list', b'[]'),
                       ('text', b'"x"'), ('cut', b'{"a"'), ('not UTF-8', b'{"a":"\xff"}'), ('NUL', b'{"a":"\0"}'),
                       ('big number', b'{"seen":1e999,"changes":[]}')):
        status, _, _ = b.ask('POST', 'api/reel/regatta/choices', body, JSON)
        t.equal(status, 400, f'a body that is {what} is a wrong request')
    for kind in (None, 'text/plain', 'application/x-www-form-urlencoded', 'multipart/form-data'):
        status, _, _ = b.ask('POST', 'api/jobs', b'{"kind":"survey","reel":"regatta"}', {'Content-Type': kind})
        t.equal(status, 415, f'a form of another site is refused: {kind}')


def test_words(t, b):
    """What would reach reel.db, a command line or a file name."""
    good = ['reel', 'crop.x', '0.5']
    bad = [['reel', 'gauge', 'x'], ['reel', 'crop.x', '1e99'], ['reel', 'crop.x', 'nan'], ['reel', 'crop.x', ''],
           ['scene:x', 'crop.x', '1'], ['scene:-1', 'crop.x', '1'], ['frame:1', 'crop.x', '1'], ['', 'crop.x', '1'],
           ['reel', '', '1'], ['reel', 'way_up', '2'], ['reel', "crop.x'; drop table choice; --", '1'],
           ['scene:1', 'way_up', '1'], ['frame:1', 'registration', '1 0 0 1'], ['reel', 'fps', '-3'],
           ['frame:1', 'registration', '0 0 0 0 0 0'], ['reel', 'register.nothing', '1'], [1, 2, 3], ['reel', 'crop.x'],
           ['reel', 'crop.x', 0.5], 'reel', None, []]
    for change in bad:
        status, _ = b.post('api/reel/regatta/choices', {'seen': 0, 'changes': [good, change]})
        t.equal(status, 400, f'no such choice: {json.dumps(change)[:60]}')
    t.equal(b.get('api/reel/regatta/choices')[1]['choices'], [], 'and nothing of those requests was kept')
    before = sorted(os.listdir(b.folder)), sorted(os.listdir(b.shelf))
    orders = [{'kind': 'intake', 'reel': name, 'source': 'x'} for name in
              ('../evil', '--help', '.hidden', '', 'a/b', '/tmp/evil', '..')]
    orders += [{'kind': 'finish', 'reel': 'regatta', 'codec': 'h264', 'size': 'hd', 'cadence': 'native', 'name': name}
               for name in ('../evil', '/tmp/evil', '.x', '', 'a/../../evil', 'x' * 300)]
    finish = {'kind': 'finish', 'reel': 'regatta', 'codec': 'h264', 'size': 'hd', 'cadence': 'native', 'name': 'a'}
    orders += [{**finish, 'codec': '--help'}, {**finish, 'size': 'x -o /tmp/evil'}, {**finish, 'size': '--help'},
               {**finish, 'cadence': '; rm'}, {**finish, 'skip': ['--help']}, {**finish, 'from': -1},
               {**finish, 'reel': 'none'}, {'kind': 'rm', 'reel': 'regatta'}, {'kind': ['survey'], 'reel': 'regatta'},
               {'kind': 'report', 'reel': 'regatta', 'form': '../../x'}, {}, {'reel': 'regatta'}]
    for order in orders:
        status, said = b.post('api/jobs', order)
        t.ok(status in (400, 404), f'no such work: {json.dumps(order)[:70]}', (status, said))
    t.equal(b.get('api/jobs')[1]['jobs'], [], 'and no job was begun')
    t.equal((sorted(os.listdir(b.folder)), sorted(os.listdir(b.shelf))), before, 'nothing appeared anywhere')


def test_crowd(t, b):
    """200 at once; then 200 that say nothing."""
    results = [0] * 200

    def ask(i):
        try:
            results[i] = b.ask('GET', 'api/reel/regatta', timeout=30)[0]
        except OSError:
            results[i] = -1
    threads = [threading.Thread(target=ask, args=(i,)) for i in range(len(results))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    kinds = {r: results.count(r) for r in set(results)}
    t.ok(set(kinds) <= {200, 503} and kinds.get(200, 0) >= 150, '200 at once: answered, or told to come again', kinds)
    idle = [socket.create_connection(('127.0.0.1', b.port)) for _ in range(200)]
    for s in idle[::2]:
        s.sendall(f'GET /{b.token}/api/shelf HT'.encode())
    started = time.monotonic()
    t.ok(b.answers(), 'beside 200 that say nothing it answers')
    t.ok(time.monotonic() - started < 2, 'and soon')
    for s in idle:
        s.close()


def test_slow_readers(t, b):
    """A movie of 200 MB for clients that do not read."""
    with open(os.path.join(b.reel, 'out', 'large.mp4'), 'wb') as f:
        f.truncate(200 << 20)
    request = f'GET /{b.token}/movie/regatta/large.mp4 HTTP/1.1\r\nHost: 127.0.0.1:{b.port}\r\n\r\n'.encode()
    before = b.memory()
    slow = []
    for _ in range(24):
        s = socket.create_connection(('127.0.0.1', b.port))
        s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        s.sendall(request)
        slow.append(s)
    time.sleep(0.5)
    t.ok(b.answers(), 'beside 24 that do not read it answers')
    grown = b.memory() - before
    t.ok(grown < 48 << 20, f'and holds little for them ({grown >> 20} MiB)')
    status, headers, body = b.ask('GET', 'movie/regatta/large.mp4', headers={'Range': 'bytes=5-14'})
    t.ok(status == 206 and body == b'\0' * 10 and headers['Content-Range'] == f'bytes 5-14/{200 << 20}',
         'a part of a movie (RFC 9110, 14.4) [M]', (status, headers))
    for value, want in (('bytes=999999999999-', 416), ('bytes=-5', 206), ('bytes=9-5', 200), ('bytes=a-b', 200),
                        ('bytes=0-0,5-9', 200), ('lines=1-2', 200), ('bytes=-0', 416), ('bytes=18446744073709551615-', 200)):
        connection = socket.create_connection(('127.0.0.1', b.port))
        connection.sendall(request[:-2] + f'Range: {value}\r\n\r\n'.encode())
        line = connection.recv(64)
        connection.close()
        t.ok(f' {want} '.encode() in line, f'Range {value}: {want}', line)
    for s in slow:
        s.close()
    os.remove(os.path.join(b.reel, 'out', 'large.mp4'))


def test_streams(t, b):
    """Streams of events are counted, and given back."""
    request = f'GET /{b.token}/api/events HTTP/1.1\r\nHost: 127.0.0.1:{b.port}\r\n\r\n'.encode()
    streams, opened = [], 0
    for _ in range(40):
        s = socket.create_connection(('127.0.0.1', b.port), timeout=5)
        s.sendall(request)
        opened += b' 200 ' in s.recv(64)
        streams.append(s)
    t.ok(opened == 32, '32 streams and no more', opened)
    t.ok(b.answers(), 'beside them it answers')
    b.post('api/reel/regatta/choices', {'seen': 0, 'changes': [['reel', 'crop.x', '0.25']]})
    streams[0].settimeout(5)
    data = b''
    while b'event: choices' not in data:
        data += streams[0].recv(4096)
    t.ok(b'"revision":1' in data, 'a stream tells of a choice', data)
    for s in streams:
        s.close()
    deadline = time.monotonic() + 8
    status = 0
    while status != 200 and time.monotonic() < deadline:
        b.post('api/reel/regatta/title', {'title': str(deadline)})  # saying something finds out who
        b.post('api/reel/regatta/undo', {})                         # is gone, the second time at the latest
        b.post('api/reel/regatta/redo', {})
        s = socket.create_connection(('127.0.0.1', b.port), timeout=5)
        s.sendall(request)
        status = 200 if b' 200 ' in s.recv(64) else 503
        s.close()
        time.sleep(0.1)
    t.equal(status, 200, 'closed streams are given back')


def mutate(rng, data):
    data = bytearray(data)
    for _ in range(rng.randint(1, 12)):
        at = rng.randrange(len(data))
        what = rng.randrange(5)
        if what == 0:
            data[at] = rng.randrange(256)
        elif what == 1:
            data[at:at] = bytes(rng.randrange(256) for _ in range(rng.randint(1, 30)))
        elif what == 2:
            del data[at:at + rng.randint(1, 20)]
        elif what == 3:
            data[at:at] = data[:rng.randint(1, 40)]
        else:
            data[at:at] = rng.choice([b'\r\n', b'%', b'../', b'%00', b'/', b'"', b'\0', b'{', b'18446744073709551616'])
        if not data:
            return b'\r\n'
    return bytes(data)


def test_fuzz(t, b, seed):
    rng = random.Random(seed)
    host = f'Host: 127.0.0.1:{b.port}\r\n'
    bodies = [b'{"seen":0,"changes":[["reel","crop.x","0.5"]]}', b'{"kind":"estimate","reel":"x","codec":"h264"}',
              b'{"state":"open","note":"x"}', b'{"seen":0,"n":1,"first":0,"last":3,"how":"move","place":"80 0 1 0 80 2"}']
    paths = ['', 'api/shelf', 'api/reel/regatta', 'api/reel/regatta/frame/3', 'api/reel/regatta/series/sharpness',
             'picture/still/regatta/1?eighths=2&x=1&y=2&w=30&h=40', 'picture/finished/regatta/1?w=64&h=48&set=a.b=c',
             'picture/small/regatta/2', 'movie/regatta/a.mp4', 'js/main.js', 'api/reel/regatta/geometry']
    posts = ['api/reel/regatta/choices', 'api/jobs', 'api/reel/regatta/finding/1', 'api/reel/regatta/place']
    leaked = refused = 0
    for i in range(600):
        if i % 2:
            k = rng.randrange(len(posts))
            body = mutate(rng, bodies[k]) if rng.random() < 0.7 else bodies[k]
            data = f'POST /{b.token}/{posts[k]} HTTP/1.1\r\n{host}Content-Type: application/json\r\n' \
                   f'Content-Length: {len(body)}\r\nConnection: close\r\n\r\n'.encode() + body
        else:
            data = f'GET /{b.token}/{rng.choice(paths)} HTTP/1.1\r\n{host}Connection: close\r\n\r\n'.encode()
        if rng.random() < 0.6:
            data = mutate(rng, data)
        got = b.talk(data, timeout=0.25)
        leaked += SECRET in got or b'root:' in got
        refused += b' 4' in got[:14]
        if b.process.poll() is not None:
            t.ok(False, f'it lives after request {i} of seed {seed}', data)
            return
    t.equal(leaked, 0, f'600 broken requests (seed {seed}) bring nothing out')
    t.ok(refused > 60, 'many of them are refused', refused)
    # requests cut short hold their places until the server gives up on them
    until, answered = time.monotonic() + 60, b.answers(10)
    while not answered and time.monotonic() < until:
        time.sleep(0.5)
        answered = b.answers(10)
    t.ok(answered, "and it answers again")


def main():
    t = Tap()
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 20261125
    with Bench(sys.argv[1]) as b:
        first = b.token
        test_doors(t, b)
        test_headers(t, b)
        test_words(t, b)
        test_paths(t, b)
        test_foreign_reel(t, b)
        test_locks(t, b)
        test_sizes(t, b)
        start = b.memory()
        test_crowd(t, b)
        test_slow_readers(t, b)
        test_streams(t, b)
        test_fuzz(t, b, seed)
        grown = b.memory() - start
        t.ok(grown < 256 << 20, f'its memory stays bounded ({grown >> 20} MiB more)')
        t.equal(b.stop(), 0, 'it ends when told to')
        b.start()
        t.ok(b.token != first and len(b.token) >= 32, 'every start has a token of its own')
        t.equal(b.ask('GET', f'/{first}/api/shelf', raw=True)[0], 403, 'and the old one is worth nothing')
        t.equal(b.stop(), 0, 'it ends again')
    t.done()


main()
