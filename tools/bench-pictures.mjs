#!/usr/bin/env node
// SPDX-License-Identifier: GPL-3.0-or-later
// Makes the pictures of the bench in docs/pictures: the built-in reel, taken in and surveyed, each
// view at 1440 x 900.   tools/bench-pictures.mjs PROGRAM [OUT]

import { execFileSync, spawn } from 'node:child_process';
import { mkdirSync, mkdtempSync, rmSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { dirname, join, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';

const root = dirname(dirname(fileURLToPath(import.meta.url)));
const { chromium } = createRequire(join(root, 'web/node_modules/'))('playwright-core');
const [program, out = join(root, 'docs/pictures')] = process.argv.slice(2);
if (!program) {
  console.error('bench-pictures: give the path of the built reelwright.');
  process.exit(2);
}
const folder = mkdtempSync(join(tmpdir(), 'rw-pictures-'));
const shelf = join(folder, 'shelf');
const run = (...words) => execFileSync(resolve(program), words, { stdio: ['ignore', 'ignore', 'inherit'] });
/** @param {import('playwright-core').Page} page the picture is made and nothing moves any more */
const settled = (page) => page.waitForFunction(() => {
  const { session, plate } = window.bench.room;
  return plate.shown.n === session.n && plate.shown.finished;
}, null, { timeout: 60000 });

/** 256 colours are enough for a page, at a quarter of the size. */
async function shoot(page, name) {
  const whole = join(folder, 'whole.png');
  await page.screenshot({ path: whole });
  execFileSync('ffmpeg', ['-v', 'error', '-y', '-i', whole, '-vf', 'split[a][b];[a]palettegen=stats_mode=single[p];[b][p]paletteuse=dither=bayer:bayer_scale=4', join(out, `bench-${name}.png`)]);
}

const VIEWS = {
  look: { n: 20, ready: settled },
  compare: { n: 20, ready: (page) => page.waitForFunction(() => document.querySelector('.compare-stage').dataset.ready, null, { timeout: 60000 }) },
  still: { n: 20, view: 'compare', ready: async (page) => {
    await page.keyboard.press('r');
    await page.waitForTimeout(2500);
  } },
  adjust: { n: 20, ready: settled },
  findings: { n: 0, ready: (page) => page.waitForTimeout(2500) },
  finish: { n: 20, ready: async (page) => {
    await settled(page);
    await page.waitForTimeout(6000); // the estimate is measured
  } },
};

mkdirSync(shelf);
try {
  for (const [name, title, ...more] of [['regatta', 'Regatta on the pond'], ['heat', 'Second heat', '--seed=7', '--gauge=regular8', '--frames=48']]) {
    run('demo', join(folder, name), '--no-movies', ...more);
    run('intake', join(folder, name, 'card'), join(shelf, name), `--gauge=${more.some((m) => m.includes('regular8')) ? 'regular8' : 'super8'}`, `--title=${title}`);
    run('survey', join(shelf, name));
  }
  const bench = spawn(program, ['bench', shelf, '--port=0'], { stdio: ['ignore', 'pipe', 'inherit'] });
  const address = await new Promise((done) => bench.stdout.once('data', (said) => done(/http:\S+/.exec(String(said))[0])));
  const browser = await chromium.launch({ executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium', args: ['--no-sandbox', '--disable-gpu'] });
  const page = await browser.newPage({ viewport: { width: 1440, height: 900 } });
  await page.goto(address);
  await page.waitForTimeout(2500);
  await shoot(page, 'shelf');
  for (const [name, { n, view = name, ready }] of Object.entries(VIEWS)) {
    await page.goto(`${page.url().split('#')[0]}#/reel/regatta/${view}/${n}`);
    await page.waitForFunction(() => window.bench?.room?.session);
    await page.waitForTimeout(800);
    await ready(page);
    await shoot(page, name);
  }
  await browser.close();
  bench.kill();
} finally {
  rmSync(folder, { recursive: true, force: true });
}
