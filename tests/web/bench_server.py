# SPDX-License-Identifier: GPL-3.0-or-later
"""A bench to test against: a shelf with one small surveyed reel, and the server over it."""
import http.client
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import tempfile


class Bench:
    """with Bench(reelwright) as bench: bench.get('api/shelf')"""

    def __init__(self, reelwright, frames=12, arguments=()):
        self.reelwright = reelwright
        self.folder = tempfile.mkdtemp(prefix='rw-bench-')
        self.shelf = os.path.join(self.folder, 'shelf')
        self.reel = os.path.join(self.shelf, 'regatta')
        self.frames = frames
        self.arguments = arguments
        self.process = None

    def run(self, *words):
        return subprocess.run([self.reelwright, *words], check=True, capture_output=True, text=True,
                              timeout=300)

    def __enter__(self):
        os.makedirs(self.shelf)
        card = os.path.join(self.folder, 'made')
        self.run('demo', card, f'--frames={self.frames}', '--pixels=600x400', '--no=faults')
        self.run('intake', os.path.join(card, 'card'), self.reel, '--title=Regatta')
        self.run('survey', self.reel)
        self.start()
        return self

    def start(self, *more):
        self.process = subprocess.Popen(
            [self.reelwright, 'bench', self.shelf, '--port=0', *self.arguments, *more],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        self.address = self.process.stdout.readline().strip()
        match = re.fullmatch(r'http://127\.0\.0\.1:(\d+)/([\w-]+)/', self.address)
        if not match:
            raise RuntimeError(f'the bench printed {self.address!r}')
        self.port, self.token = int(match.group(1)), match.group(2)

    def stop(self):
        """The exit code."""
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(timeout=30)
        self.process.stdout.close()
        return code

    def __exit__(self, *unused):
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        shutil.rmtree(self.folder, ignore_errors=True)

    # ---- asking ----

    def ask(self, method, path, body=None, headers=None, raw=False, timeout=20):
        """(status, headers, body); path below the token unless raw."""
        connection = http.client.HTTPConnection('127.0.0.1', self.port, timeout=timeout)
        try:
            connection.putrequest(method, path if raw else f'/{self.token}/{path}', skip_host=True,
                                  skip_accept_encoding=True)
            headers = dict(headers or {})
            headers.setdefault('Host', f'127.0.0.1:{self.port}')
            if body is not None:
                headers.setdefault('Content-Length', str(len(body)))
            for name, value in headers.items():
                if value is not None:
                    connection.putheader(name, value)
            connection.endheaders(body)
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read()
        finally:
            connection.close()

    def get(self, path):
        status, _, body = self.ask('GET', path)
        return status, json.loads(body) if body[:1] in (b'{', b'[') else body

    def post(self, path, value):
        status, _, body = self.ask('POST', path, json.dumps(value).encode(),
                                   {'Content-Type': 'application/json'})
        return status, json.loads(body)

    def talk(self, data, timeout=5, limit=1 << 20):
        """What comes back on a bare connection; b'' when it is cut off without a word."""
        with socket.create_connection(('127.0.0.1', self.port), timeout=timeout) as s:
            got = b''
            try:
                s.sendall(data)
                while len(got) < limit:
                    more = s.recv(65536)
                    if not more:
                        break
                    got += more
            except (socket.timeout, ConnectionError):
                pass
            return got

    def memory(self):
        """Resident bytes of the server."""
        with open(f'/proc/{self.process.pid}/statm', encoding='ascii') as f:
            return int(f.read().split()[1]) * os.sysconf('SC_PAGE_SIZE')

    def answers(self, limit=3):
        """Does it answer within a few seconds, and rightly?"""
        try:
            status, _, body = self.ask('GET', 'api/reel/regatta/choices', timeout=limit)
        except OSError:
            return False
        return status == 200 and b'"revision"' in body
