// SPDX-License-Identifier: GPL-3.0-or-later
// What clean-up repaired on a frame, as boxes over the picture. A click on one says that it is no
// blemish, or that one left alone is; said once more, the word is taken back.

import { get, reelAddress } from './api.js';
import { el, fill, tell } from './dom.js';

const KEY = 'blemish.spots';
const ROOM = 5; // px round a box
/** @type {Record<string, string>} */
const NAMES = { dirt: 'Dirt', scratch: 'Scratch', hair: 'Gate hair' };

/** @typedef {{x: number, y: number, word: string}} Word */
/** Box in px of the picture, place on the film in mm, how sure, whether repaired, which kind.
 * @typedef {[number, number, number, number, number, number, number, number, string]} Spot */

/** @param {string | undefined} text @returns {Word[]} */
const wordsOf = (text) => (text ?? '').split(',').map((part) => part.trim().split(/\s+/)).filter((p) => p.length === 3)
  .map(([x, y, word]) => ({ x: Number(x), y: Number(y), word }));
/** @param {Word[]} words */
const textOf = (words) => words.map((w) => `${w.x.toFixed(4)} ${w.y.toFixed(4)} ${w.word}`).join(', ') || null;

export class Blemishes {
  /** @param {import('./plate.js').Plate} plate */
  constructor(plate) {
    this.plate = plate;
    this.session = plate.session;
    this.on = false;
    this.asked = '';
    this.same = 0; // mm: nearer than this, the same spot is meant; the server says it
    this.said = el('span', { class: 'quiet', role: 'status' });
    this.layer = el('div', { class: 'spots', hidden: true });
    plate.node.append(this.layer);
    plate.node.addEventListener('finished', () => this.load());
    this.session.addEventListener('frame', () => this.clear());
    this.watcher = new ResizeObserver(() => {
      this.clear();
      this.load();
    });
    this.watcher.observe(plate.canvas);
  }

  close() {
    this.plate.asMovie = false;
    this.watcher.disconnect();
    this.layer.remove();
  }

  /** @param {boolean} on */
  show(on) {
    this.on = on;
    this.clear();
    this.plate.asMovie = on;
    this.plate.refresh(); // load follows it
  }

  clear() {
    fill(this.layer);
    this.layer.hidden = true;
    this.asked = '';
    this.said.textContent = this.on ? 'Looking …' : '';
  }

  get words() {
    return wordsOf(this.session.choices.get(`frame:${this.session.n}\n${KEY}`));
  }

  /** @param {number} x @param {number} y film mm */
  wordAt(x, y) {
    const near = this.words.filter((w) => Math.hypot(w.x - x, w.y - y) < this.same);
    return near.sort((a, b) => Math.hypot(a.x - x, a.y - y) - Math.hypot(b.x - x, b.y - y))[0]?.word ?? '';
  }

  async load() {
    const { session, plate } = this;
    if (!this.on || plate.playing || !session.surveyed) return;
    const n = session.n, { width, height } = plate.size;
    const query = `${n}?w=${width}&h=${height}&r=${session.revision}`;
    if (query === this.asked) return;
    this.asked = query;
    try {
      const { same, spots } = await get(reelAddress(session.name, `spots/${query}`));
      this.same = same;
      if (this.asked === query && this.on) this.draw(spots);
    } catch (error) {
      this.asked = '';
      tell(error instanceof Error ? error.message : String(error), 'fault');
    }
  }

  /** @param {Spot[]} spots */
  draw(spots) {
    const { canvas, size } = this.plate;
    const k = canvas.clientWidth / size.width, top = (canvas.clientHeight - size.height * k) / 2;
    Object.assign(this.layer.style, { left: `${canvas.offsetLeft}px`, top: `${canvas.offsetTop}px`, width: `${canvas.clientWidth}px`, height: `${canvas.clientHeight}px` });
    this.count(spots);
    spots.sort((a, b) => b[2] * b[3] - a[2] * a[3]); // a small one in a large one can be reached
    fill(this.layer, spots.map(([x, y, w, h, filmX, filmY, sure, repaired, kind]) => {
      const word = this.wordAt(filmX, filmY);
      const what = `${NAMES[kind]}, ${repaired ? 'repaired' : 'left alone'}`;
      const click = kind === 'dirt' ? `${Math.round(sure * 100)} % sure; a click ${repaired ? 'leaves it as it was' : 'repairs it'}` : 'a click leaves it on this frame';
      const why = word ? 'as you said; a click takes it back' : click;
      const node = el('button', { type: 'button', class: `spot${repaired ? ' repaired' : ''}${word ? ' said' : ''}`, title: `${what}: ${why}`, 'aria-label': `${what}, ${why}`,
        onclick: () => this.say(filmX, filmY, word ? '' : repaired ? 'leave' : 'repair') });
      Object.assign(node.style, { left: `${x * k - ROOM}px`, top: `${top + y * k - ROOM}px`, width: `${w * k + 2 * ROOM}px`, height: `${h * k + 2 * ROOM}px` });
      return node;
    }));
    this.layer.hidden = false;
    this.layer.dataset.n = String(this.session.n);
  }

  /** @param {Spot[]} spots */
  count(spots) {
    const done = Object.keys(NAMES).map((kind) => [NAMES[kind], spots.filter((s) => s[8] === kind && s[7]).length]).filter(([, n]) => n);
    this.said.textContent = done.length ? `Repaired on this frame: ${done.map(([name, n]) => `${name} ${n}`).join(', ')}.` : 'Nothing was repaired on this frame.';
  }

  /** @param {number} x @param {number} y @param {string} word '' takes it back */
  say(x, y, word) {
    const rest = this.words.filter((w) => Math.hypot(w.x - x, w.y - y) >= this.same);
    return this.session.choose([[`frame:${this.session.n}`, KEY, textOf(word ? [...rest, { x, y, word }] : rest)]]);
  }
}
