// SPDX-License-Identifier: GPL-3.0-or-later
// How quick the page is: a reel of 4,000 frames of 24-megapixel stills, in headless Chromium.
//
//     node perf/bench-page.mjs REELWRIGHT [--quick]
//
// A few stills are made and surveyed; the long reel is those over and over, by hard links and copied
// rows, since what counts here is the number of frames and the size of each.
import { execFileSync, spawn } from 'node:child_process';
import { linkSync, mkdirSync, mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { createRequire } from 'node:module';
import { cpus, tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

const here = dirname(fileURLToPath(import.meta.url));
const { chromium } = createRequire(join(here, '../web/package.json'))('playwright-core');
const [reelwright, ...options] = process.argv.slice(2);
const quick = options.includes('--quick');
const FRAMES = quick ? 600 : 4000, MADE = quick ? 4 : 10, SCENE = 70;
const pixels = quick ? '1500x1000' : '6000x4000';
const folder = mkdtempSync(join(tmpdir(), 'rw-perf-'));
const shelf = join(folder, 'shelf'), reel = join(shelf, 'long');
const run = (...words) => execFileSync(reelwright, words, { stdio: 'ignore' });

/** The reel's stills, measurements and places, again and again up to FRAMES. */
const LENGTHEN = `
import json, os, sqlite3, sys
reel, frames, scene = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
db = sqlite3.connect(os.path.join(reel, 'reel.db'))
rows = db.execute('select * from still where id in (select still from frame where still > 0 and doubled_of < 0) order by id').fetchall()
names = [d[0] for d in db.execute('select * from still').description]
places = {s: p for s, p in ((f[0], f[1:]) for f in db.execute('select still, a, b, c, d, e, f, method, confidence from frame join geometry using (n)'))}
measures = {}
for still, *rest in db.execute('select still, measure, version, value from measurement'):
    measures.setdefault(still, []).append(rest)
for table in ('frame', 'geometry', 'scene', 'finding'):
    db.execute(f'delete from {table}')
links = []
for n in range(frames):
    old = rows[n % len(rows)]
    still = n + 100000
    row = dict(zip(names, old))
    source = row['path']
    row.update(id=still, path=f'stills/long/{n:05}.JPG', source=f'{n}')
    db.execute(f'insert into still values ({",".join("?" * len(names))})', [row[k] for k in names])
    db.execute('insert into frame values (?,?,-1,0)', (n, still))
    db.execute('insert into geometry values (?,?,?,?,?,?,?,?,?)', (n, *places[old[0]]))
    db.executemany('insert into measurement values (?,?,?,?)', [(still, *m) for m in measures.get(old[0], [])])
    links.append([source, row['path'], f'cache/{old[0]:06}.jpg', f'cache/{still:06}.jpg'])
for i, first in enumerate(range(0, frames, scene)):
    db.execute('insert into scene values (?,?,?,?)', (i + 1, first, min(first + scene, frames) - 1, 'cut'))
for i in range(0, frames, 90):
    db.execute("insert into finding values (null,'smeared-frame',?,?,?,'redo',0.9,'{}','Shoot it again.','open',null)", (i, i, i + 100000))
db.commit()
print(json.dumps(links))
`;

function makeReel() {
  run('demo', join(folder, 'made'), `--frames=${MADE}`, `--pixels=${pixels}`, '--no=faults', '--truth-size=192x144');
  run('intake', join(folder, 'made/card'), reel);
  run('survey', reel);
  const links = JSON.parse(execFileSync('python3', ['-c', LENGTHEN, reel, String(FRAMES), String(SCENE)], { encoding: 'utf8', maxBuffer: 1 << 26 }));
  mkdirSync(join(reel, 'stills/long'));
  for (const [still, newStill, small, newSmall] of links) {
    linkSync(join(reel, still), join(reel, newStill));
    linkSync(join(reel, small), join(reel, newSmall));
  }
}

const rows = [];
const row = (what, value, note = '') => rows.push([what, value, note]);
const middle = (list) => [...list].sort((a, b) => a - b)[list.length >> 1];
const ms = (list) => `${middle(list).toFixed(0)} ms, worst ${Math.max(...list).toFixed(0)} ms`;
const memory = (pid) => Number(/VmRSS:\s+(\d+)/.exec(readFileSync(`/proc/${pid}/status`, 'utf8'))[1]) / 1024;

async function measure(page, server, address) {
  const room = (f, argument) => page.evaluate(`(${f})(window.bench.room, ${JSON.stringify(argument)})`);
  const start = memory(server.pid);
  await page.goto(`${address}#/reel/long/look/2000`);
  await page.locator('.map-strip').waitFor();
  await page.waitForFunction(() => window.bench.room.plate.shown.finished, null, { timeout: 60000 });
  const paint = await page.evaluate(() => performance.getEntriesByName('first-contentful-paint')[0].startTime);
  row('first paint', `${paint.toFixed(0)} ms`, 'from the address to something on the screen');
  row('reel shown, picture finished', `${(await page.evaluate(() => performance.now())).toFixed(0)} ms`, `cold, with everything of ${FRAMES} frames read`);
  const size = await room((r) => [r.plate.canvas.width, r.plate.canvas.height]);

  // a jump to anywhere: until its small picture stands
  const jumps = await room(async (r, count) => {
    const times = [];
    for (let i = 0; i < count; i++) {
      const n = (i * 1499 + 37) % r.session.reel.frames, began = performance.now();
      r.session.go(n);
      while (r.plate.shown.n !== n) await new Promise(requestAnimationFrame);
      times.push(performance.now() - began);
      await new Promise((done) => setTimeout(done, 30));
    }
    return times;
  }, quick ? 20 : 60);
  row('scrub: a jump anywhere', ms(jumps), 'until the frame shows from its small picture');
  const steps = await room(async (r) => {
    const times = [];
    for (let i = 0; i < 60; i++) {
      const n = 1000 % r.session.reel.frames + i, began = performance.now();
      r.session.go(n);
      while (r.plate.shown.n !== n) await new Promise(requestAnimationFrame);
      times.push(performance.now() - began);
    }
    return times;
  });
  row('scrub: along the film', ms(steps), 'a frame after the other');
  const settles = await room(async (r, count) => {
    const first = [], clean = [];
    for (let i = 0; i < count; i++) {
      const made = r.plate.finishedCount, began = performance.now();
      r.session.go((i * 977 + 11) % r.session.reel.frames);
      while (!(r.plate.shown.finished && r.plate.shown.n === r.session.n)) await new Promise(requestAnimationFrame);
      first.push(performance.now() - began);
      while (r.plate.finishedCount === made) await new Promise(requestAnimationFrame);
      clean.push(performance.now() - began);
    }
    return { first, clean };
  }, quick ? 6 : 20);
  row('another frame: not yet cleaned', ms(settles.first), `${size.join(' x ')}, its still is read; 90 ms of it are waited for the next step`);
  row('another frame: as finished', ms(settles.clean), 'its neighbours are read and cleaned, too');
  const passing = await room(async (r, count) => {
    const times = [];
    for (let i = 0; i < count; i++) {
      r.session.go((i * 1377 + 301) % r.session.reel.frames);
      while (!(r.plate.shown.finished && r.plate.shown.n === r.session.n)) await new Promise(requestAnimationFrame);
      await new Promise((done) => setTimeout(done, 250)); // its cleaned picture is in work by now
      const n = (i * 1377 + 502) % r.session.reel.frames, began = performance.now();
      r.session.go(n);
      while (!(r.plate.shown.finished && r.plate.shown.n === n)) await new Promise(requestAnimationFrame);
      times.push(performance.now() - began);
    }
    return times;
  }, quick ? 6 : 20);
  row('another frame, cleaning given up', ms(passing), 'not yet cleaned, while the one before was being cleaned');
  const look = async (key, values) => room(async (r, wish) => {
    const times = [];
    for (const value of wish.values) {
      const count = r.plate.finishedCount;
      r.session.try(wish.key, value);
      while (r.plate.finishedCount === count) await new Promise(requestAnimationFrame);
      times.push(r.plate.lastDelay);
    }
    r.session.try(wish.key, null);
    return times.slice(1);
  }, { key, values });
  row('look: exposure moved', ms(await look('colour.exposure', Array.from({ length: 25 }, (_, i) => (0.1 + i * 0.02).toFixed(2)))), `${size.join(' x ')}, of 150 ms wanted`);
  row('look: contrast moved', ms(await look('colour.contrast', Array.from({ length: 25 }, (_, i) => (1.1 + i * 0.02).toFixed(2)))), 'the same');
  await room((r) => r.session.choose([['reel', 'colour.exposure', '0.5']]));
  const stored = await room(async (r) => {
    const times = [];
    for (let i = 0; i < 10; i++) {
      const began = performance.now();
      await r.session.choose([['reel', 'colour.exposure', (0.2 + i * 0.05).toFixed(2)]]);
      times.push(performance.now() - began);
    }
    return times;
  });
  row('a choice stored', ms(stored), 'on disk, with its step in the history');
  await room(async (r) => {
    r.session.go(100);
    await r.player.start();
  });
  await page.waitForTimeout(quick ? 4000 : 12000);
  const { stats, fps } = await room((r) => {
    r.player.stop();
    return { stats: r.player.stats, fps: r.session.fps };
  });
  row('play', `${stats.shown} frames in ${stats.seconds.toFixed(1)} s at ${fps}, ${stats.late} late`, 'from small pictures');
  const zoom = await room(async (r) => {
    const times = [];
    for (let i = 0; i < 40; i++) {
      const began = performance.now();
      r.map.zoom(i < 20 ? 1.3 : 1 / 1.3);
      r.map.drawNow();
      times.push(performance.now() - began);
      await new Promise(requestAnimationFrame);
    }
    return times;
  });
  row('reel map drawn', ms(zoom), 'while zooming from the whole reel to frames and back');
  row('memory of the server', `${memory(server.pid).toFixed(0)} MiB`, `${start.toFixed(0)} MiB at the start; bounded: a quarter of the machine's, 6 GiB at most`);
  row('memory of the page', `${(await page.evaluate(() => performance.memory.usedJSHeapSize / 1048576)).toFixed(0)} MiB`, 'JavaScript, without decoded pictures');
}

try {
  makeReel();
  const server = spawn(reelwright, ['bench', shelf, '--port=0'], { stdio: ['ignore', 'pipe', 'ignore'] });
  const address = String(await new Promise((resolve) => server.stdout.once('data', resolve))).trim().split('\n')[0];
  const browser = await chromium.launch({
    executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium',
    args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync', '--enable-precise-memory-info'],
  });
  const page = await browser.newPage({ viewport: { width: 1440, height: 900 } });
  await measure(page, server, address);
  await browser.close();
  server.kill('SIGTERM');
  await new Promise((resolve) => server.once('exit', resolve));
  console.log(`${FRAMES} frames, stills of ${pixels}, ${cpus().length} cores (${cpus()[0].model.trim()})\n`);
  for (const [what, value, note] of rows) console.log(`${what.padEnd(36)}${value.padEnd(44)}${note}`);
} finally {
  rmSync(folder, { recursive: true, force: true });
}
