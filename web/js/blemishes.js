// SPDX-License-Identifier: GPL-3.0-or-later
// What clean-up repaired on a frame, as boxes over the picture. A click on one says that it is no
// blemish, or that one left alone is; said once more, the word is taken back.

import { get, reelAddress } from './api.js';
import { el, fill, tell } from './dom.js';

const KEY = 'blemish.spots';
const ROOM = 5; // px round a box

/** @typedef {{x: number, y: number, word: string}} Word */

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
    this.watcher.disconnect();
    this.layer.remove();
  }

  /** @param {boolean} on */
  show(on) {
    this.on = on;
    this.clear();
    if (on) this.load();
  }

  clear() {
    fill(this.layer);
    this.layer.hidden = true;
    this.asked = '';
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
    const n = session.n, { width, height } = plate.canvas;
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

  /** @param {number[][]} spots */
  draw(spots) {
    const { canvas } = this.plate;
    const k = canvas.clientWidth / canvas.width;
    Object.assign(this.layer.style, { left: `${canvas.offsetLeft}px`, top: `${canvas.offsetTop}px`, width: `${canvas.clientWidth}px`, height: `${canvas.clientHeight}px` });
    fill(this.layer, spots.map(([x, y, w, h, filmX, filmY, sure, repaired]) => {
      const word = this.wordAt(filmX, filmY);
      const what = repaired ? 'Repaired' : 'Left alone';
      const why = word ? 'as you said; a click takes it back' : `${Math.round(sure * 100)} % sure; a click ${repaired ? 'leaves it as it was' : 'repairs it'}`;
      const node = el('button', { type: 'button', class: `spot${repaired ? ' repaired' : ''}${word ? ' said' : ''}`, title: `${what}: ${why}`, 'aria-label': `${what}, ${why}`,
        onclick: () => this.say(filmX, filmY, word ? '' : repaired ? 'leave' : 'repair') });
      Object.assign(node.style, { left: `${x * k - ROOM}px`, top: `${y * k - ROOM}px`, width: `${w * k + 2 * ROOM}px`, height: `${h * k + 2 * ROOM}px` });
      return node;
    }));
    this.layer.hidden = false;
    this.layer.dataset.n = String(this.session.n);
  }

  /** @param {number} x @param {number} y @param {string} word '' takes it back */
  say(x, y, word) {
    const rest = this.words.filter((w) => Math.hypot(w.x - x, w.y - y) >= this.same);
    return this.session.choose([[`frame:${this.session.n}`, KEY, textOf(word ? [...rest, { x, y, word }] : rest)]]);
  }
}
