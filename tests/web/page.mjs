// SPDX-License-Identifier: GPL-3.0-or-later
// The page as a person uses it, in a real browser: from a camera card to a movie. After each step the
// reel's own database, or the movie, is asked what it holds now.
//
//     node tests/web/page.mjs REELWRIGHT
//
// Prints TAP. Rules of use are our own; contrast limits are WCAG 2.2, 1.4.3 [M].
import { execFileSync, spawn } from 'node:child_process';
import { existsSync, mkdirSync, mkdtempSync, readdirSync, rmSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

const here = dirname(fileURLToPath(import.meta.url));
const { chromium } = createRequire(join(here, '../../web/package.json'))('playwright-core');
const reelwright = process.argv[2];
const FRAMES = 36;
const WAIT = 30000;

// ---- TAP ----

let tests = 0, failed = 0;
function ok(passed, name, detail) {
  tests++;
  if (!passed) failed++;
  console.log(`${passed ? 'ok' : 'not ok'} ${tests} ${name.replace(/#/g, '\\#')}`);
  if (!passed && detail !== undefined) console.log(`#   ${JSON.stringify(detail)}`);
  return passed;
}
const equal = (got, want, name) => ok(JSON.stringify(got) === JSON.stringify(want), name, { got, want });
const near = (got, want, within, name) => ok(Math.abs(got - want) <= within, name, { got, want, within });

// ---- what surrounds the page ----

const folder = mkdtempSync(join(tmpdir(), 'rw-page-'));
const shelf = join(folder, 'shelf'), reel = join(shelf, 'regatta');
mkdirSync(shelf);
let server, address, port = 0;

async function serve() {
  server = spawn(reelwright, ['bench', shelf, `--port=${port}`, `--cards=${join(folder, 'made')}`], { stdio: ['ignore', 'pipe', 'inherit'] });
  address = (await new Promise((resolve) => server.stdout.once('data', (data) => resolve(String(data))))).trim().split('\n')[0];
  port = Number(new URL(address).port);
  server.once('exit', (code, signal) => console.log(`# the bench ended: ${code ?? signal}`));
}

function db(sql) {
  const code = 'import json,sqlite3,sys;print(json.dumps(sqlite3.connect(f"file:{sys.argv[1]}/reel.db?mode=ro",uri=True).execute(sys.argv[2]).fetchall()))';
  return JSON.parse(execFileSync('python3', ['-c', code, reel, sql], { encoding: 'utf8' }));
}
const choice = (scope, key) => db(`select value from choice where scope='${scope}' and key='${key}'`)[0]?.[0] ?? null;

/** Until f gives something true; what it gave. */
async function until(f, name, limit = WAIT) {
  const end = Date.now() + limit;
  for (;;) {
    const value = await f();
    if (value || Date.now() > end) {
      if (name) ok(!!value, name);
      return value;
    }
    await new Promise((done) => setTimeout(done, 40));
  }
}

const problems = [];
function watch(page) {
  page.on('console', (m) => {
    if (m.type() === 'error' && !/ERR_CONNECTION_REFUSED|ERR_INCOMPLETE_CHUNKED|ERR_EMPTY_RESPONSE|ERR_CONNECTION_RESET|status of 40[09]/.test(m.text()) && !(/status of 422/.test(m.text()) && /\/look$/.test(m.location().url))) problems.push(`${m.text()} ${m.location().url}`);
  });
  page.on('pageerror', (e) => problems.push(e.message));
}

const session = (page, f) => page.evaluate(`(${f})(window.bench.room.session, window.bench.room)`);
const finishedShown = (page) => until(() => session(page, (s, room) => room.plate.shown.finished && room.plate.shown.n === s.n));

/** Marks one of some words, by its label as a hand does: the radio button itself is not seen. */
const mark = (page, name) => page.locator('label').filter({ has: page.getByRole('radio', { name }) }).click();

/** Text that stands out too little from what is behind it. */
function faintText() {
  const number = (c) => c.match(/[\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4)).reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const found = [];
  for (const node of document.querySelectorAll('body *')) {
    const text = [...node.childNodes].filter((c) => c.nodeType === 3 && c.data.trim()).map((c) => c.data.trim()).join(' ');
    const box = node.getBoundingClientRect();
    if (!text || !box.width || !box.height || node.closest(':disabled, option, .skip, .printed, noscript, [hidden]')) continue;
    if (node.previousElementSibling?.disabled) continue;
    const style = getComputedStyle(node);
    if (style.visibility === 'hidden' || node instanceof HTMLScriptElement || node instanceof HTMLStyleElement) continue;
    let behind = node, back = [0, 0, 0, 0];
    while (behind && !(back[3] === undefined || back[3] === 1)) {
      back = number(getComputedStyle(behind).backgroundColor);
      behind = behind.parentElement;
    }
    const a = light(number(style.color)), b = light(back);
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    const large = parseFloat(style.fontSize) >= 24 || (parseFloat(style.fontSize) >= 18.66 && Number(style.fontWeight) >= 700);
    if (ratio < (large ? 3 : 4.5)) found.push(`${text.slice(0, 30)}: ${ratio.toFixed(2)}`);
  }
  return found;
}

/** Things one can use that a screen reader has no name for. */
function nameless() {
  const found = [];
  for (const node of document.querySelectorAll('button, a, input, select, textarea, [role=slider], [role=img], video')) {
    if (node.closest('[hidden], .printed') || node.getAttribute('aria-hidden') === 'true') continue;
    const labels = node.labels ? [...node.labels].map((l) => l.textContent).join('') : '';
    const name = node.getAttribute('aria-label') || node.getAttribute('aria-labelledby') || labels || node.textContent || node.title;
    if (!name?.trim() && node.tagName !== 'VIDEO') found.push(node.outerHTML.slice(0, 80));
  }
  return found;
}

// ---- the evening ----

async function takeIn(page) {
  await page.goto(address);
  await page.getByText('No reel stands here yet.').waitFor();
  ok(true, 'an empty shelf says so');
  await page.keyboard.press('i');
  await page.getByRole('radio').first().waitFor();
  await page.getByLabel('Reel', { exact: true }).fill('regatta');
  await page.getByLabel('Title').fill('<img src=x onerror=alert(1)>Regatta');
  await page.getByRole('button', { name: 'Take in' }).click();
  await until(() => existsSync(join(reel, 'reel.db')) && db('select count(*) from geometry')[0][0] > 0, 'the card is taken in and surveyed');
  await page.getByRole('heading', { name: 'Regatta' }).waitFor();
  equal(db('select count(*), min(length(sha256)) from still'), [[FRAMES, 64]], 'every still is in reel.db with its sum');
  await until(async () => (await page.locator('.steps .done').allTextContents()).includes('Surveyed'), 'the shelf shows how far it is');
  ok(!await page.locator('main img').count(), 'a title that is markup shows as text');
  ok(await page.getByText('The card may be wiped').isVisible(), 'it is said whether the card may be wiped');
}

async function look(page) {
  await page.getByRole('heading', { name: 'Regatta' }).getByRole('link').click();
  await page.locator('.map-strip').waitFor();
  await finishedShown(page);
  ok(await session(page, (s, room) => room.plate.shown.finished), 'the finished picture shows');
  const press = async (...keys) => {
    for (const key of keys) await page.keyboard.press(key);
    return session(page, (s) => s.n);
  };
  equal(await press('ArrowRight', 'ArrowRight', 'ArrowRight', 'ArrowLeft'), 2, 'arrow keys step by a frame');
  equal(await press('Shift+ArrowRight'), 20, 'with Shift by a second');
  const frames = db('select count(*) from frame')[0][0];
  equal(await press('End'), frames - 1, 'End goes to the tail');
  const scenes = db('select first from scene order by first').map((r) => r[0]);
  equal(await press('Home', 'ArrowDown'), scenes[1], 'down goes to the next scene');
  const found = db("select first from finding order by first").map((r) => r[0]);
  equal(await press('Home', 'n'), found.find((f) => f > 0), 'N goes to the next finding');
  equal(await press('n'), found.filter((f) => f > 0)[1], 'and on');
  await page.keyboard.press('?');
  const keys = await page.locator('dialog dt').allTextContents();
  ok(keys.length > 18 && await page.getByText('To the next finding').isVisible(), '? lists the keys', keys.length);
  await page.keyboard.press('Escape');
  await page.locator('dialog').waitFor({ state: 'detached' });
  await page.keyboard.press('1');
  const span = await session(page, (s, room) => room.map.to - room.map.from);
  ok(span < 20, 'the map goes down to single frames', span);
  await page.keyboard.press('0');
  equal(await session(page, (s, room) => [room.map.from, room.map.to]), [0, frames], 'and back to the whole reel');
  const box = await page.locator('.map-strip').boundingBox();
  await page.mouse.move(box.x + box.width * 0.25, box.y + 50);
  await page.mouse.down();
  await page.mouse.move(box.x + box.width * 0.5, box.y + 50, { steps: 4 });
  await page.mouse.up();
  equal(await session(page, (s) => s.n), Math.floor(frames / 2), 'dragging along the film scrubs');
}

async function play(page) {
  await page.keyboard.press('Home');
  await page.keyboard.press(' ');
  await until(() => session(page, (s, room) => room.player.stats.seconds > 1.2 || !room.player.running));
  await page.keyboard.press(' ');
  const { stats, n, fps } = await session(page, (s, room) => ({ stats: room.player.stats, n: s.n, fps: s.fps }));
  near(n, stats.seconds * fps, 2, 'it plays at the film\u2019s own speed');
  ok(stats.late <= 2, 'without a stutter', stats);
}

async function findings(page) {
  await page.keyboard.press('f');
  await page.locator('.finding').first().waitFor();
  const rows = db("select id, kind, severity from finding order by case severity when 'redo' then 0 when 'look' then 1 else 2 end, confidence desc, first");
  const listed = await page.locator('.finding').evaluateAll((list) => list.map((row) => Number(row.dataset.id)));
  equal(listed, rows.map((r) => r[0]), 'the worst come first');
  await page.locator('.finding').first().click();
  await page.getByLabel('Your note').fill('Seen on the bench: <b>true</b>');
  await page.keyboard.press('Tab');
  await until(() => db(`select note from finding where id=${rows[0][0]}`)[0][0], 'a note is kept at once');
  await page.getByRole('button', { name: 'Confirm' }).click();
  await until(() => db(`select state from finding where id=${rows[0][0]}`)[0][0] === 'confirmed', 'a finding is confirmed');
  equal(db(`select note from finding where id=${rows[0][0]}`)[0][0], 'Seen on the bench: <b>true</b>', 'with its note as written');
  const next = Number(await page.locator('.finding[aria-selected=true]').getAttribute('data-id'));
  equal(next, rows[1][0], 'the next one comes up by itself');
  await page.keyboard.press('x');
  await until(() => db(`select state from finding where id=${next}`)[0][0] === 'dismissed', 'X dismisses');
  await until(async () => await page.locator('.finding').count() === rows.length - 1, 'and it leaves the list');
  await page.emulateMedia({ media: 'print' });
  const printed = await page.locator('.printed').innerText();
  ok(printed.includes('To shoot again') && printed.includes('Seen on the bench') && !await page.locator('#bar').isVisible(), 'it prints as a list');
  await page.emulateMedia({ media: 'screen' });
}

async function registration(page) {
  await session(page, (s) => s.go(13));
  await page.keyboard.press('c');
  await page.locator('.compare').waitFor();
  await until(async () => await page.locator('.compare-stage').getAttribute('data-ready') === '13', 'both states of the frame show');
  await page.keyboard.press('r');
  await page.locator('.still-outline .perforation').first().waitFor();
  const before = Object.fromEntries(db('select n, a, b, c, d, e, f from geometry').map((row) => [row[0], row]));
  const hole = await page.locator('.still-outline .perforation').first().boundingBox();
  // screen px per still px: a Super 8 perforation is 1.143 mm high (film.h)
  const k = await page.locator('.still-outline .perforation').first().evaluate((path) => {
    const y = path.getAttribute('d').match(/[-\d.]+/g).map(Number).filter((_, i) => i % 2);
    return Math.max(...y) - Math.min(...y);
  }) / (1.143 * before[13][5]);
  const from = [hole.x + hole.width / 2, hole.y + hole.height / 2];
  await page.mouse.move(...from);
  await page.mouse.down();
  await page.mouse.move(from[0] + 12, from[1] - 20, { steps: 5 });
  await page.mouse.up();
  await page.getByText(/^Moved by/).waitFor();
  await page.getByRole('button', { name: 'Scene', exact: true }).first().click();
  await page.getByRole('button', { name: 'Keep' }).click();
  const scene = db('select first, last from scene where 13 between first and last')[0];
  await until(() => db("select count(*) from choice where key='registration'")[0][0] === scene[1] - scene[0] + 1, 'a drag is kept for every frame of the scene');
  const placed = choice('frame:13', 'registration').split(' ').map(Number), gap = db(`select n from frame where still=0 and n between ${scene[0]} and ${scene[1]}`)[0];
  near(placed[2] - before[13][3], 12 / k, 1.2 / k, 'the frame lies as far to the right as it was dragged');
  near(placed[5] - before[13][6], -20 / k, 1.2 / k, 'and as far up');
  near(choice('frame:10', 'registration').split(' ').map(Number)[2] - before[10][3], placed[2] - before[13][3], 1e-6, 'others move by as much, and keep their own weave');
  ok(gap && choice(`frame:${gap[0]}`, 'registration') !== null, `a frame without a still is placed as well (scene ${scene}, frame ${gap})`);
  await page.keyboard.press('Control+z');
  await until(() => db("select count(*) from choice where key='registration'")[0][0] === 0, 'one undo takes all of it back');
  await page.locator('.still-outline').focus();
  for (const key of ['ArrowRight', 'Shift+ArrowRight', 'ArrowUp']) await page.keyboard.press(key);
  await page.getByRole('button', { name: 'This frame' }).click();
  await page.getByRole('button', { name: 'Keep' }).click();
  await until(() => choice('frame:13', 'registration') !== null, 'arrow keys place a frame, too');
  near(choice('frame:13', 'registration').split(' ').map(Number)[2] - before[13][3], 11, 1e-6, 'by a pixel, with Shift ten');
  await page.getByRole('button', { name: 'As surveyed' }).click();
  await until(() => choice('frame:13', 'registration') === null, 'and it goes back to what the survey found');
}

async function adjust(page, other) {
  await session(page, (s) => s.go(5)); // in scene 1
  await page.keyboard.press('a');
  const exposure = page.getByRole('slider', { name: 'Exposure' });
  await exposure.waitFor();
  await finishedShown(page);
  const before = await session(page, (s, room) => room.plate.finishedCount);
  await exposure.focus();
  for (let i = 0; i < 10; i++) await page.keyboard.press('ArrowRight');
  const shown = await exposure.inputValue();
  await until(() => choice('reel', 'colour.exposure') === shown, 'a moved control is stored with what it shows');
  near(Number(shown), 0.1, 1e-9, 'ten keys move it by ten steps');
  await until(async () => await session(page, (s, room) => room.plate.finishedCount) > before, 'the picture is made anew');
  await page.getByLabel('Exposure, figure').fill('1');
  await page.keyboard.press('Tab');
  await until(() => choice('reel', 'colour.exposure') === '1', 'a typed figure is stored');
  await mark(page, /^Scene/);
  await page.getByLabel('Warmth, figure').fill('-0.5');
  await page.keyboard.press('Tab');
  await until(() => choice('scene:1', 'colour.warmth') === '-0.5', 'a scene has a choice of its own');
  equal(choice('reel', 'colour.warmth'), null, 'the reel has not');
  await page.getByRole('button', { name: 'Copy to scenes' }).click();
  await page.getByRole('button', { name: 'Copy', exact: true }).click();
  const scenes = db('select id from scene')[0].length && db('select count(*) from scene')[0][0];
  await until(() => db("select count(*) from choice where key='colour.warmth'")[0][0] === scenes, 'it is copied to the other scenes');
  await page.getByRole('button', { name: 'Undo' }).click();
  await until(() => db("select count(*) from choice where key='colour.warmth'")[0][0] === 1, 'undone in one step');
  await page.getByRole('button', { name: 'Undo' }).click();
  await until(() => choice('scene:1', 'colour.warmth') === null, 'undone once more');
  await page.keyboard.press('Control+Shift+z');
  await until(() => choice('scene:1', 'colour.warmth') === '-0.5', 'done again');
  for (const key of ['Control+z', 'Control+z', 'Control+Shift+z']) await page.keyboard.press(key);
  await until(() => choice('scene:1', 'colour.warmth') === null && choice('reel', 'colour.exposure') === '1', 'keys that come faster than answers are not lost');
  await page.keyboard.press('Control+Shift+z');
  await until(() => choice('scene:1', 'colour.warmth') === '-0.5', 'and one more of them');

  await mark(page, 'Locked');
  await until(() => choice('scene:1', 'steady.mode') === 'locked', 'how a scene is steadied is a choice like any other');
  await until(async () => /^Scene 1: Chosen\. Left to itself: (Locked|Smooth|Off): /.test(await page.locator('.reason').textContent()), 'and it says what it would do by itself, and why');
  await page.getByRole('button', { name: 'Undo' }).click();
  await until(() => choice('scene:1', 'steady.mode') === null, 'it is undone like any other');

  // the field of view by hand: the picture goes with the hand, as far as the film does
  await mark(page, 'Whole reel');

  // looks in and out, and what is measured of the picture
  const file = (name, text) => ({ name, mimeType: 'text/plain', buffer: Buffer.from(text) });
  await page.locator('input[type=file][accept=".cdl,.cc,.ccc"]').setInputFiles(file('night.cdl', '<ColorCorrection id="x"><SOPNode><Slope>1.25 1 1</Slope></SOPNode></ColorCorrection>'));
  await until(() => choice('reel', 'colour.slope-red') === '1.25', 'a correction is taken in');
  const given = await page.evaluate(async () => (await fetch(document.querySelector('.looks a').href)).text());
  ok(/<Slope>1\.25 1 1<\/Slope>/.test(given), 'and given out again', given);
  await page.getByRole('button', { name: 'Undo' }).click();
  await until(() => choice('reel', 'colour.slope-red') === null, 'undone in one step');
  const cube = `LUT_3D_SIZE 33\n${Array.from({ length: 33 ** 3 }, (_, i) => [i % 33, Math.floor(i / 33) % 33, Math.floor(i / 1089)].map((v) => (v / 32).toFixed(6)).join(' ')).join('\n')}\n`;
  await page.locator('input[type=file][accept=".cube"]').setInputFiles(file('plain.cube', cube));
  await until(() => /^[0-9a-f]{64} plain\.cube$/.test(choice('reel', 'colour.cube') ?? ''), 'a table of a megabyte is taken in');
  await until(async () => await page.getByRole('textbox', { name: 'Lookup table' }).inputValue() === 'plain.cube', 'and shown by its name');
  await page.locator('input[type=file][accept=".cube"]').setInputFiles(file('torn.cube', cube.slice(0, 5000)));
  await until(async () => (await page.getByText(/torn\.cube, line/).count()) > 0, 'a torn one is refused with its line');
  await page.getByRole('button', { name: 'Undo' }).click();
  await until(() => choice('reel', 'colour.cube') === null, 'the table is undone');
  await page.locator('.scopes summary').click();
  await until(async () => /^Mean \d/.test(await page.locator('.scopes .figures').textContent()), 'tones and colours of the picture are measured');
  await page.locator('.scopes summary').click();

  const plate = await page.locator('canvas.plate').boundingBox();
  const field = await session(page, (s) => s.reel.gauge.shown);
  const drag = async (from, to) => {
    await page.mouse.move(plate.x + plate.width * from[0], plate.y + plate.height * from[1]);
    await page.mouse.down();
    await page.mouse.move(plate.x + plate.width * to[0], plate.y + plate.height * to[1], { steps: 5 });
    await page.mouse.up();
  };
  await drag([0.5, 0.5], [0.55, 0.5]);
  await until(() => choice('reel', 'crop.x') !== null, 'a dragged picture is stored');
  near(Number(choice('reel', 'crop.x')), -0.05 * field[2], 0.003 * field[2], 'as far as it was dragged, on the film');
  equal(choice('reel', 'crop.y'), null, 'and only that way');
  await page.keyboard.press('Control+z');
  await until(() => choice('reel', 'crop.x') === null, 'in one step');
  await drag([0.01, 0.01], [0.06, 0.06]);
  await until(() => choice('reel', 'crop.scale') !== null, 'a dragged corner is stored');
  near(Number(choice('reel', 'crop.scale')), 0.49 / 0.44, 0.01, 'as a larger field of view');
  await page.keyboard.press('Control+z');
  await until(() => choice('reel', 'crop.scale') === null, 'and taken back');

  // what was repaired shows as boxes, and a click refuses one
  await page.getByLabel(/Show what was repaired/).check();
  const box = page.locator('.spot.repaired').first();
  for (let k = 0; k < 12 && !await until(async () => await box.count() > 0, '', 3000); k++) await page.keyboard.press('ArrowRight');
  const at = await session(page, (s) => s.n);
  const { width, height, movie } = await page.evaluate(async (n) => {
    const { size } = window.bench.room.plate;
    const { spots } = await (await fetch(`api/reel/regatta/spots/${n}?w=${size.width}&h=${size.height}`)).json();
    return { ...size, movie: spots.filter((s) => s[7]).length };
  }, at);
  equal([width, height, await page.locator('.spot.repaired').count()], [1440, 1080, movie], 'those that the movie has');
  await box.click();
  await until(() => /leave$/.test(choice(`frame:${at}`, 'blemish.spots') ?? ''), 'a repair that is refused is kept so');
  await page.locator('.spot.said').first().waitFor();
  ok(true, 'and shows as said');
  await page.keyboard.press('Control+z');
  await until(() => choice(`frame:${at}`, 'blemish.spots') === null, 'till it is taken back');
  await page.getByLabel(/Show what was repaired/).uncheck();
  await session(page, (s) => s.go(5));

  // what nobody waits for any more is given up, and not by another page's wishes
  const statuses = await page.evaluate(async () => {
    const ask = (more) => fetch(`picture/finished/regatta/6?w=1440&h=1080&${more}`).then((answer) => answer.status);
    // a setting that no scene was prepared for
    const long = ask('page=one&set=flicker.strength=0.61'), other = ask('page=two&set=flicker.strength=0.63');
    await new Promise((done) => setTimeout(done, 150));
    const quick = ask('page=one&skip=flicker,blemish,grain');
    return Promise.all([long, other, quick]);
  });
  equal(statuses, [409, 200, 200], 'a picture that is not waited for any more is given up');

  // another page of the same reel
  await other.goto(`${address}#/reel/regatta/adjust/5`);
  await other.getByLabel('Exposure, figure').waitFor();
  equal(await other.getByLabel('Exposure, figure').inputValue(), '1', 'another page shows what holds');
  await mark(page, 'Whole reel');
  await page.getByLabel('Contrast, figure').fill('1.2');
  await page.keyboard.press('Tab');
  await until(async () => await other.getByLabel('Contrast, figure').inputValue() === '1.2', 'and follows what is changed here');
  const clash = await other.evaluate(async () => {
    const { session: s } = window.bench.room;
    const seen = s.revision - 1; // as if it had not heard of it yet
    const answer = await fetch('api/reel/regatta/choices', { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify({ seen, changes: [['reel', 'colour.contrast', '0.7']] }) });
    return answer.status;
  });
  equal([clash, choice('reel', 'colour.contrast')], [409, '1.2'], 'two pages do not overwrite each other unseen');
  await other.getByRole('combobox', { name: 'Film speed' }).fill('16');
  await other.keyboard.press('Tab');
  await until(() => choice('reel', 'fps') === '16', 'the other page chooses, too');
  await until(() => session(page, (s) => s.fps === 16), 'and this one plays at that speed');
  await other.close();

  await page.reload();
  await page.getByLabel('Exposure, figure').waitFor();
  equal(await page.getByLabel('Exposure, figure').inputValue(), '1', 'a reload loses nothing');
}

async function crash(page) {
  const gone = new Promise((resolve) => server.once('exit', resolve));
  server.kill('SIGKILL');
  await gone;
  await until(() => page.evaluate(() => document.body.classList.contains('away')), 'the page says that the bench is gone');
  await serve();
  equal(db('pragma integrity_check'), [['ok']], 'a bench that was killed leaves reel.db whole');
  await page.goto(`${address}#/reel/regatta/adjust/5`);
  await page.getByLabel('Exposure, figure').waitFor();
  equal(await page.getByLabel('Exposure, figure').inputValue(), '1', 'and loses nothing that was chosen');
}

/** Means of blocks of 90 by 90 pixels, so that the codec's own noise does not count. */
async function meanOfPlate(page, more = '') {
  return page.evaluate(async (query) => {
    const { session: s } = window.bench.room;
    const answer = await fetch(`picture/finished/${s.name}/${s.n}?w=1440&h=1080${query}`);
    const picture = await createImageBitmap(await answer.blob());
    const c = new OffscreenCanvas(1440, 1080).getContext('2d');
    c.drawImage(picture, 0, 0);
    const { data } = c.getImageData(0, 0, 1440, 1080);
    const sums = new Array(16 * 12 * 3).fill(0);
    for (let y = 0; y < 1080; y++)
      for (let x = 0; x < 1440; x++)
        for (let p = 0; p < 3; p++) sums[(Math.floor(y / 90) * 16 + Math.floor(x / 90)) * 3 + p] += data[(y * 1440 + x) * 4 + p];
    return sums.map((v) => v / 8100);
  }, more);
}

async function finish(page) {
  await session(page, (s) => s.go(5));
  // what takes longest says nothing here; it has its own tests
  await session(page, (s) => s.choose([['reel', 'blemish.dirt', 'off'], ['reel', 'blemish.scratches', 'off'], ['reel', 'blemish.hairs', 'off']]));
  const seen = await meanOfPlate(page), plain = await meanOfPlate(page, '&skip=colour');
  await page.keyboard.press('m');
  await page.getByLabel('Name of the movie').fill('../evil');
  await page.getByRole('button', { name: 'Make the movie' }).click();
  await page.getByText(/without slashes/).waitFor();
  ok(true, 'a name that is no file name is refused');
  await until(async () => /MB|kB/.test(await page.locator('.estimate').innerText()), 'size and time are estimated');
  const estimate = await page.locator('.estimate').innerText();
  await page.getByLabel('Name of the movie').fill('evening');
  await page.getByRole('button', { name: 'Make the movie' }).click();
  await page.getByRole('button', { name: 'Stop' }).click();
  await until(() => page.evaluate(() => [...window.bench.jobs.list.values()].some((j) => j.kind === 'finish' && j.state === 'stopped')), 'a running job stops when told to');
  equal(readdirSync(join(reel, 'out')).filter((f) => !f.startsWith('.')), [], 'and leaves no half movie');
  await page.getByRole('button', { name: 'Make the movie' }).click();
  const movie = join(reel, 'out', 'evening.mp4');
  await until(() => existsSync(movie), 'a movie is made', 60000);
  await page.getByRole('button', { name: 'Play', exact: true }).first().waitFor();
  const probed = JSON.parse(execFileSync('ffprobe', ['-v', 'error', '-count_frames', '-select_streams', 'v', '-show_entries', 'stream=width,height,r_frame_rate,nb_read_frames', '-of', 'json', movie], { encoding: 'utf8' })).streams[0];
  const entries = db('select count(*) from frame where doubled_of < 0')[0][0];
  equal([probed.width, probed.height, probed.r_frame_rate, Number(probed.nb_read_frames)], [1440, 1080, '16/1', entries], 'it holds every frame of the film, at the speed that was chosen');
  const raw = execFileSync('ffmpeg', ['-v', 'error', '-i', movie, '-vf', 'select=eq(n\\,5),scale=16:12:flags=area:in_color_matrix=bt709,format=rgb24', '-frames:v', '1', '-f', 'rawvideo', '-'], { maxBuffer: 1e7 });
  const offFrom = (picture) => [...raw].reduce((sum, v, i) => sum + Math.abs(v - picture[i]), 0) / raw.length;
  // chroma at half the size, limited range and the codec cost a few levels; tests/law/preview.c is exact
  ok(raw.length === 576 && offFrom(seen) < 5 && offFrom(plain) > 4 * offFrom(seen),
    'its picture is the one that the page showed, look and all', [offFrom(seen), offFrom(plain)]);
  ok(/frames/.test(estimate), 'the estimate names frames');
  await page.locator('.movie').getByRole('button', { name: 'Play' }).click();
  await until(() => page.evaluate(() => document.querySelector('video').currentTime > 0.4), 'and it plays in the page');
  const size = await page.evaluate(() => [document.querySelector('video').videoWidth, document.querySelector('video').videoHeight]);
  equal(size, [1440, 1080], 'at its size');
  await page.getByRole('button', { name: 'Report, PDF' }).click();
  await until(() => existsSync(join(reel, 'out', 'report.pdf')), 'a report is written');
}

/** A second reel comes to the shelf, and everything that needs no eye is done at one word. */
async function shelfWork(page) {
  const made = join(folder, 'second'), second = join(dirname(reel), 'pond');
  execFileSync(reelwright, ['demo', made, '--frames=12', '--pixels=600x400', '--no=faults', '--no-movies', '--seed=3'], { stdio: 'ignore' });
  execFileSync(reelwright, ['intake', join(made, 'card'), second, '--gauge=super8'], { stdio: 'ignore' });
  await page.goto(`${address}#/`);
  await page.getByRole('button', { name: 'Work through the shelf…' }).click();
  await page.getByRole('button', { name: 'Start' }).click();
  await until(async () => (await page.locator('.reel', { hasText: 'pond' }).locator('.steps .done').allTextContents()).includes('Surveyed'), 'the reel that waited is surveyed');
  await page.getByRole('button', { name: 'Work through the shelf…' }).click();
  await page.getByLabel('Delivery').waitFor();
  await page.getByRole('button', { name: 'Start' }).click();
  await until(() => existsSync(join(second, 'out')) && readdirSync(join(second, 'out')).some((f) => /^pond\./.test(f)), 'then its movie is made', 60000);
  await until(() => page.getByRole('button', { name: 'Work through the shelf…' }).isHidden(), 'and nothing is left to do');
}

async function shapes(page) {
  for (const [width, height] of [[1280, 720], [1024, 768], [820, 1180]]) {
    await page.setViewportSize({ width, height });
    for (const view of ['look', 'compare', 'adjust', 'findings', 'finish']) {
      await page.goto(`${address}#/reel/regatta/${view}/5`);
      await page.locator('.map-strip').waitFor();
      await page.waitForTimeout(150);
      const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      const play = await page.locator('.play').isVisible();
      const stage = await page.locator('.stage').boundingBox();
      ok(wide <= 0 && play && stage.height > height * 0.35, `${view} fits ${width}x${height}`, { wide, play, stage });
      if (width === 1280) {
        equal(await page.evaluate(faintText), [], `${view}: text stands out`);
        equal(await page.evaluate(nameless), [], `${view}: everything has a name`);
      }
    }
  }
  await page.setViewportSize({ width: 1280, height: 720 });
  await page.goto(`${address}#/`);
  await page.getByRole('heading', { name: 'Regatta' }).waitFor();
  equal(await page.evaluate(faintText), [], 'shelf: text stands out');
  equal(await page.evaluate(nameless), [], 'shelf: everything has a name');
  await page.emulateMedia({ reducedMotion: 'reduce' });
  await page.goto(`${address}#/reel/regatta/compare/5`);
  await page.locator('.compare').waitFor();
  await page.keyboard.press('b');
  const turned = new Set();
  for (let i = 0; i < 9; i++) {
    turned.add(await page.locator('.compare').evaluate((c) => c.toDataURL().length));
    await page.waitForTimeout(170);
  }
  ok(turned.size <= 2, 'who wants no motion is not blinked at', [...turned]);
}

async function main() {
  execFileSync(reelwright, ['demo', join(folder, 'made'), `--frames=${FRAMES}`, '--pixels=900x600'], { stdio: 'ignore' });
  await serve();
  const browser = await chromium.launch({
    executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium',
    args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync', '--autoplay-policy=no-user-gesture-required'],
  });
  const context = await browser.newContext({ viewport: { width: 1280, height: 720 } });
  context.setDefaultTimeout(WAIT);
  const page = await context.newPage();
  watch(page);
  let step = '';
  try {
    for (const f of [takeIn, look, play, findings, registration, adjust, crash, finish, shelfWork, shapes]) {
      step = f.name;
      const began = Date.now();
      if (f === adjust) {
        const other = await context.newPage();
        watch(other);
        await f(page, other);
      } else await f(page);
      console.log(`# ${step}: ${((Date.now() - began) / 1000).toFixed(1)} s`);
    }
    equal(problems, [], 'the browser had nothing to complain of');
  } catch (error) {
    ok(false, `${step} goes through`, error.message);
    await page.screenshot({ path: process.env.SCREENSHOT ?? join(tmpdir(), 'rw-page-failed.png') }).catch(() => {});
  }
  await browser.close();
  server.kill('SIGTERM');
  const code = await new Promise((resolve) => server.once('exit', resolve));
  equal(code, 0, 'the bench ends when told to');
}

try {
  await main();
} catch (error) {
  ok(false, 'the test itself runs', error.message);
} finally {
  server?.kill('SIGKILL');
  rmSync(folder, { recursive: true, force: true });
}
console.log(`1..${tests}`);
process.exit(failed ? 1 : 0);
