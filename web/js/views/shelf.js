// SPDX-License-Identifier: GPL-3.0-or-later
// The shelf: every reel of the folder as a piece of its own film, with where it stands.

import { get, getPicture, smallAddress } from '../api.js';
import { bytes, clock, count, day, feet, filmToFrame, plural } from '../film.js';
import { ask, el, fill, refill } from '../dom.js';
import { addKeys, listKeys } from '../keys.js';
import { isOver, jobChip, jobLine, lastWord } from '../jobs.js';
import { layStill } from '../plate.js';
import { mark } from './look.js';

/**
 * @typedef {{name: string, title: string, gauge: string, gaugeTitle: string, fps: string,
 *   wayUp: string | null, frames: number, seconds: number, mm: number, surveyed: boolean, package: string | null,
 *   strip: number[][], stills: number, stillBytes: number, captured: string | null,
 *   stillWidth: number, stillHeight: number, findings: {redo: number, look: number, note: number,
 *   judged: number}, scenes: number[], movies: number, cacheBytes: number, outBytes: number,
 *   fault: string | null}} ShelfReel
 */

const FRAME = { width: 74, height: 56, gap: 3, perforation: 13, edge: 4 };

export class Shelf {
  /** @param {import('../main.js').App} app */
  constructor(app) {
    this.app = app;
    this.stop = new AbortController();
    this.list = el('div', { class: 'reels' });
    this.heading = el('h1', null, 'Shelf');
    this.sum = el('p', { class: 'quiet' });
    this.work = el('div', { class: 'shelf-work' });
    this.said = el('div');
    this.batch = el('button', { type: 'button', onclick: () => this.workThrough() }, 'Work through the shelf…');
    this.node = el('div', { class: 'shelf' }, el('div', { class: 'shelf-head' }, el('div', null, this.heading, this.sum),
      el('div', { class: 'row' }, this.batch, el('button', { type: 'button', class: 'primary', onclick: () => this.takeIn() }, 'Take stills in…'))), this.said, this.work, this.list);
    this.bar = [el('span', { class: 'mark-name' }, 'Reelwright'), el('div', { class: 'bar-end' }, jobChip(app.jobs, this.stop.signal),
      el('button', { type: 'button', class: 'plain', 'aria-label': 'Keys', title: 'Keys (?)', onclick: () => listKeys() }, '?'))];
    this.dropKeys = addKeys([{ keys: ['i'], does: 'Take stills in', group: 'Shelf', act: () => this.takeIn() }]);
    /** @type {ShelfReel[]} */
    this.reels = [];
    this.reading = 0;
    const on = (/** @type {EventTarget} */ target, /** @type {string} */ name, /** @type {(e: any) => void} */ f) => target.addEventListener(name, f, { signal: this.stop.signal });
    on(app.jobs, 'change', () => this.showWork());
    for (const name of ['worked', 'reel', 'resync', 'findings']) on(app.events, name, () => this.readSoon());
    document.title = 'Shelf · Reelwright';
    this.read();
  }

  close() {
    this.stop.abort();
    this.dropKeys();
    clearTimeout(this.reading);
  }

  /** Surveys write all the time; once in a while is enough. */
  readSoon() {
    clearTimeout(this.reading);
    this.reading = window.setTimeout(() => this.read(), 600);
  }

  async read() {
    let said;
    try {
      said = await get('api/shelf');
    } catch (error) {
      if (!this.reels.length) fill(this.list, el('p', { class: 'fault' }, error instanceof Error ? error.message : String(error)));
      return;
    }
    if (this.stop.signal.aborted) return;
    this.reels = said.reels;
    this.heading.textContent = said.shelf;
    const total = this.reels.reduce((sum, r) => sum + (r.stillBytes ?? 0) + (r.cacheBytes ?? 0) + (r.outBytes ?? 0), 0);
    this.sum.textContent = this.reels.length ? `${plural(this.reels.length, 'reel', 'reels')}, ${bytes(total)}` : '';
    refill(this.list, this.reels.length ? this.reels.map((r) => this.row(r)) : el('div', { class: 'empty' }, el('p', null, 'No reel stands here yet.'),
      el('p', { class: 'quiet' }, 'Plug in a camera card, or start the bench with --cards and a folder of stills, then take them in.')));
    this.showBatch();
    this.showWork();
  }

  waiting() {
    return this.reels.filter((r) => !r.fault && !r.surveyed && r.frames && !this.app.jobs.of(r.name).some((j) => !isOver(j)));
  }

  /** Surveyed, no movie yet, and nothing to be shot again first. */
  ready() {
    return this.reels.filter((r) => !r.fault && r.surveyed && r.frames && !r.movies && !r.findings.redo && !this.app.jobs.of(r.name).some((j) => j.kind === 'finish' && !isOver(j)));
  }

  showBatch() {
    this.batch.hidden = !this.waiting().length && !this.ready().length;
  }

  /** What is left to do on every reel, as far as no eye is needed; one job after the other. */
  async workThrough() {
    const surveys = this.waiting(), movies = this.ready();
    const deliveries = this.app.tables.deliveries.filter((d) => d.extension);
    const delivery = el('select', { id: 'b-delivery' }, deliveries.map((d) => el('option', { value: d.name }, d.title)));
    const line = (/** @type {ShelfReel} */ r, /** @type {string} */ what) => {
      const box = el('input', { type: 'checkbox', checked: true });
      return { r, box, node: el('label', null, box, r.title || r.name, el('span', { class: 'quiet' }, ` ${what}`)) };
    };
    const survey = surveys.map((r) => line(r, `${count(r.stills)} stills`)), movie = movies.map((r) => line(r, `${clock(r.seconds)} at ${r.fps}`));
    const part = (/** @type {string} */ title, /** @type {{node: HTMLElement}[]} */ lines) => lines.length ? el('fieldset', { class: 'sources' }, el('legend', null, title), el('div', { class: 'scene-list' }, lines.map((l) => l.node))) : null;
    const said = await ask('Work through the shelf', [part('Survey', survey), part('Make the movie', movie),
      movie.length ? el('div', { class: 'control' }, el('label', { for: 'b-delivery' }, 'Delivery'), delivery) : null,
      el('p', { class: 'quiet' }, 'One after the other; each can be stopped and goes on later from where it was. A reel with frames to shoot again is left for your eye.')].filter((x) => x !== null),
    [{ value: '', label: 'Leave it' }, { value: 'go', label: 'Start', primary: true }], { wide: true });
    if (said !== 'go') return;
    for (const { r } of survey.filter((l) => l.box.checked)) await this.app.jobs.start({ kind: 'survey', reel: r.name });
    for (const { r } of movie.filter((l) => l.box.checked))
      await this.app.jobs.start({ kind: 'finish', reel: r.name, codec: delivery.value, size: 'hd', cadence: 'native', skip: [], name: r.name });
  }

  showWork() {
    const jobs = this.app.jobs;
    const unknown = jobs.busy.filter((j) => !this.reels.some((r) => r.name === j.reel));
    const failed = [...jobs.list.values()].filter((j) => j.state === 'failed' && j.kind === 'intake' && !this.reels.some((r) => r.name === j.reel));
    refill(this.work, unknown.map((j) => el('div', { class: 'reel-work' }, el('strong', null, j.reel), jobLine(jobs, j))), failed.slice(-1).map((j) => el('pre', { class: 'fault' }, `${j.reel}: ${(j.message ?? '').replace(/^reelwright: /, '')}`)));
    for (const place of this.list.querySelectorAll('[data-work]')) {
      const own = jobs.of(place.getAttribute('data-work') ?? '').filter((j) => !isOver(j) && j.kind !== 'estimate');
      refill(place, own.map((j) => jobLine(jobs, j)));
    }
    this.showBatch();
  }

  // ---- a reel ----

  /** @param {ShelfReel} r */
  row(r) {
    const open = `#/reel/${encodeURIComponent(r.name)}/look/0`;
    if (r.fault) return el('article', { class: 'reel broken' }, el('div', { class: 'reel-words' }, el('h2', null, r.name), el('p', { class: 'fault' }, r.fault)));
    const { findings } = r;
    const doubts = findings.redo + findings.look;
    const steps = [
      ['Taken in', 'done'], ['Surveyed', r.surveyed ? 'done' : ''],
      ['Looked at', !r.surveyed ? '' : doubts ? 'part' : 'done'], ['Finished', r.movies ? 'done' : ''], ['Kept', r.package ? 'done' : ''],
    ];
    const facts = [r.gaugeTitle, feet(r.mm), `${clock(r.seconds)} at ${r.fps}`, `${count(r.stills)} stills`, day(r.captured)].filter(Boolean).join(' · ');
    const next = !r.surveyed ? el('button', { type: 'button', onclick: () => this.app.jobs.start({ kind: 'survey', reel: r.name }) }, 'Survey')
      : doubts ? el('a', { class: 'button', href: `#/reel/${encodeURIComponent(r.name)}/findings/0` }, plural(doubts, 'finding', 'findings'))
        : el('a', { class: 'button', href: `#/reel/${encodeURIComponent(r.name)}/finish/0` }, r.movies ? 'Movies' : 'Finish');
    return el('article', { class: 'reel' },
      el('a', { class: 'strip-link', href: open, tabindex: -1, 'aria-hidden': 'true' }, this.strip(r)),
      el('div', { class: 'reel-words' }, el('h2', null, el('a', { href: open }, r.title || r.name)), el('p', { class: 'quiet' }, facts),
        el('ol', { class: 'steps' }, steps.map(([text, state]) => el('li', { class: state }, text, state === 'part' ? [' ', findings.redo ? mark('redo') : mark('look')] : null)))),
      el('div', { class: 'reel-end' }, next, el('span', { class: 'quiet' }, bytes(r.stillBytes + r.cacheBytes + r.outBytes))),
      el('div', { class: 'reel-work', 'data-work': r.name }));
  }

  /** Nine frames from all over the reel, as a piece of film. @param {ShelfReel} r */
  strip(r) {
    const count = Math.max(Math.min(r.strip.length, 9), 1);
    const width = count * (FRAME.width + FRAME.gap) + FRAME.gap, height = FRAME.perforation + FRAME.height + FRAME.edge;
    const density = window.devicePixelRatio || 1;
    const canvas = el('canvas', { class: 'shelf-strip', width: width * density, height: height * density });
    canvas.style.width = `${width}px`;
    canvas.style.height = `${height}px`;
    const c = /** @type {CanvasRenderingContext2D} */ (canvas.getContext('2d'));
    c.scale(density, density);
    c.fillStyle = '#242424';
    c.fillRect(0, 0, width, height);
    c.fillStyle = '#f4f4f4';
    const onLine = this.app.tables.gauges.find((g) => g.name === r.gauge)?.onFrameLine;
    for (let i = 0; i <= count; i++) {
      const x = FRAME.gap + i * (FRAME.width + FRAME.gap);
      const at = onLine ? x - FRAME.gap / 2 : x + FRAME.width / 2;
      if (onLine || i < count) {
        c.beginPath();
        c.roundRect(at - 6, 3, 12, 7, 1.5);
        c.fill();
      }
    }
    r.strip.forEach((part, i) => this.stripFrame(r, c, part, FRAME.gap + i * (FRAME.width + FRAME.gap)));
    return canvas;
  }

  /** @param {ShelfReel} r @param {CanvasRenderingContext2D} c @param {number[]} part @param {number} x */
  async stripFrame(r, c, part, x) {
    const [, still, ...place] = part;
    const y = FRAME.perforation;
    const box = () => {
      c.beginPath();
      c.roundRect(x, y, FRAME.width, FRAME.height, 2);
    };
    c.fillStyle = '#3d3d3d';
    box();
    c.fill();
    const picture = await getPicture(smallAddress(r.name, still, `${r.captured ?? ''}${r.stills}`)).catch(() => null);
    if (!picture || this.stop.signal.aborted) return;
    c.save();
    box();
    c.clip();
    c.imageSmoothingQuality = 'high';
    const gauge = this.app.tables.gauges.find((g) => g.name === r.gauge);
    if (place.length === 6 && gauge) {
      c.translate(x, y);
      layStill(c, picture, r.stillWidth, /** @type {import('../film.js').Affine} */ (place), filmToFrame(gauge, { wayUp: Number(r.wayUp ?? 1) < 0 ? -1 : 1, mirror: false, x: 0, y: 0, scale: 1 }, FRAME.width, FRAME.height));
    } else {
      const k = Math.max(FRAME.width / picture.width, FRAME.height / picture.height);
      c.drawImage(picture, x + (FRAME.width - picture.width * k) / 2, y + (FRAME.height - picture.height * k) / 2, picture.width * k, picture.height * k);
    }
    c.restore();
    picture.close();
  }

  // ---- taking in ----

  async takeIn() {
    const { sources } = await get('api/sources').catch(() => ({ sources: [] }));
    const { gauges } = this.app.tables;
    const name = el('input', { id: 'i-name', type: 'text', maxlength: 100, required: true });
    const title = el('input', { id: 'i-title', type: 'text', maxlength: 200 });
    const gauge = el('select', { id: 'i-gauge' }, gauges.map((g) => el('option', { value: g.name }, g.title)));
    const fps = el('select', { id: 'i-fps' });
    const take = el('input', { id: 'i-take', type: 'text', placeholder: 'the only one' });
    const survey = el('input', { type: 'checkbox', checked: true });
    const speeds = () => fill(fps, /** @type {any} */ (gauges.find((g) => g.name === gauge.value)).speeds.map((/** @type {string} */ s) => el('option', { value: s }, `${s} a second`)));
    gauge.addEventListener('change', speeds);
    speeds();
    const control = (/** @type {string} */ label, /** @type {HTMLElement} */ input, /** @type {string} */ help = '') => el('div', { class: 'control' }, el('label', { for: input.id }, label), input, help ? el('p', { class: 'help' }, help) : null);
    const list = el('fieldset', { class: 'sources' }, el('legend', null, 'Stills from'), sources.length ? sources.map((/** @type {any} */ s, /** @type {number} */ i) => el('label', null,
      el('input', { type: 'radio', name: 'source', value: s.id, checked: i === 0 }), el('span', null, el('strong', null, s.path.split('/').slice(-2).join('/')), el('span', { class: 'quiet' }, `${count(s.stills)} stills, ${bytes(s.bytes)}${s.card ? ', a camera card' : ''}`))))
      : el('p', null, 'No card is mounted. Plug one in and open this again; or start the bench with --cards and the folder that holds the stills.'));
    const said = await ask('Take stills in', [list, sources.length ? el('div', { class: 'fields' },
      control('Reel', name, 'The folder\u2019s name on the shelf; a reel that is there already gets the new stills too.'), control('Title', title), control('Gauge', gauge), control('Film speed', fps),
      control('Shoots', take, 'When a card holds several: all, largest, or their numbers.'), el('label', { class: 'check' }, survey, 'Survey them then')) : el('div')],
    sources.length ? [{ value: '', label: 'Leave it' }, { value: 'go', label: 'Take in', primary: true }] : [{ value: '', label: 'Close', primary: true }], { wide: true });
    if (said !== 'go') return;
    const source = /** @type {HTMLInputElement | null} */ (list.querySelector('input:checked'))?.value;
    const reel = name.value.trim();
    const known = this.reels.some((r) => r.name === reel);
    const number = await this.app.jobs.start({ kind: 'intake', reel, source, ...(known ? {} : { gauge: gauge.value, fps: fps.value, title: title.value.trim() }), take: take.value.trim() });
    if (!number) return;
    const job = await this.app.jobs.ended(number);
    this.readSoon();
    if (job.state === 'done' && survey.checked) await this.app.jobs.start({ kind: 'survey', reel });
    this.tellIntake(job);
  }

  /** @param {import('../jobs.js').Job} job */
  tellIntake(job) {
    if (job.state !== 'done') return;
    let said;
    try {
      said = JSON.parse(job.result ?? '');
    } catch {
      return;
    }
    if (this.stop.signal.aborted) return;
    const safe = said.safe_to_wipe;
    fill(this.said, el('div', { class: `intake-said ${safe ? '' : 'careful'}`, role: 'status' }, el('strong', null, job.reel), ` ${safe ? 'Every still was copied, read back and compared. The card may be wiped.' : `Do not wipe the card yet: ${said.why_not ?? lastWord(job)}`}`));
  }
}
