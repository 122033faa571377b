// SPDX-License-Identifier: GPL-3.0-or-later
// One reel as the page knows it: what the bench says, and where one is looking. Views listen:
//   frame     another frame is looked at            choices   a choice was made or taken back, anywhere
//   findings  a finding was judged, anywhere        reel      it was surveyed or taken in anew
//   try       a control is being moved and not yet let go

import { BenchError, get, getNumbers, post, reelAddress } from './api.js';
import { clamp, rate } from './film.js';
import { tell } from './dom.js';

/**
 * @typedef {import('./film.js').Affine} Affine
 * @typedef {{name: string, title: string, width: number, pitch: number, framesPerFoot: number,
 *   onFrameLine: boolean, perforations: number[][], aperture: number[], shown: number[],
 *   speeds: string[]}} Gauge
 * @typedef {{id: number, first: number, last: number, cue: string}} Scene
 * @typedef {{id: number, kind: string, first: number, last: number, still: number, severity: string,
 *   confidence: number, evidence: any, advice: string, state: string, note: string | null}} Finding
 * @typedef {{first: number, last: number, firstMm: number, lastMm: number, why: string}} Reshoot
 * @typedef {{name: string, title: string, fps: string, wayUp: string | null, gauge: Gauge,
 *   frames: number, stills: number[], doubled: number[], unreadable: number[], scenes: Scene[],
 *   stillWidth: number, stillHeight: number, stamp: string, revision: number}} Reel
 */

const NUMBERS = 8; // of geometry, a frame
export const METHODS = ['none', 'picture', 'gate', 'perforation', 'person'];

export class Session extends EventTarget {
  /** @param {string} name @param {Reel} reel */
  constructor(name, reel) {
    super();
    this.name = name;
    this.reel = reel;
    this.n = 0;
    this.geometry = new Float64Array(0);
    /** @type {Map<string, Float32Array>} */
    this.series = new Map();
    /** @type {Finding[]} */
    this.findings = [];
    /** @type {Reshoot[]} */
    this.reshoot = [];
    /** @type {Map<string, string>} */
    this.choices = new Map();
    this.revision = 0;
    this.undo = 0;
    this.redo = 0;
    /** @type {Promise<boolean>} the change that is on its way */
    this.turn = Promise.resolve(true);
    /** what a control shows while it is moved: key -> value @type {Map<string, string>} */
    this.trying = new Map();
    this.usualPlace = /** @type {Affine | null} */ (null);
    this.closed = false;
  }

  /** @param {string} name @returns {Promise<Session>} */
  static async open(name) {
    const session = new Session(name, await get(reelAddress(name)));
    await Promise.all([session.readGeometry(), session.readChoices(), session.readFindings()]);
    return session;
  }

  /** @param {string} name @param {any} [detail] */
  emit(name, detail) {
    if (!this.closed) this.dispatchEvent(new CustomEvent(name, { detail }));
  }

  // ---- reading ----

  async readGeometry() {
    this.geometry = new Float64Array(await getNumbers(reelAddress(this.name, 'geometry')));
    this.usualPlace = this.medianPlace();
  }

  async readChoices() {
    this.takeChoices(await get(reelAddress(this.name, 'choices')));
  }

  async readFindings() {
    this.takeFindings(await get(reelAddress(this.name, 'findings')));
  }

  /** After a survey or an intake: everything anew. */
  async readAll() {
    this.reel = await get(reelAddress(this.name));
    this.series.clear();
    await Promise.all([this.readGeometry(), this.readChoices(), this.readFindings()]);
    this.n = clamp(this.n, 0, Math.max(this.reel.frames - 1, 0));
    this.emit('reel');
    this.emit('frame');
  }

  /** @param {string} measure @returns {Promise<Float32Array>} */
  async readSeries(measure) {
    let values = this.series.get(measure);
    if (!values) {
      values = new Float32Array(await getNumbers(reelAddress(this.name, `series/${encodeURIComponent(measure)}`)));
      this.series.set(measure, values);
    }
    return values;
  }

  /** @param {{revision: number, undo: number, redo: number, choices: [string, string, string][]}} state */
  takeChoices(state) {
    if (state.revision < this.revision) return; // an answer that was overtaken
    const before = this.choices;
    this.revision = state.revision;
    this.undo = state.undo;
    this.redo = state.redo;
    this.choices = new Map(state.choices.map(([scope, key, value]) => [`${scope}\n${key}`, value]));
    const places = (/** @type {Map<string, string>} */ m) =>
      [...m].filter(([k]) => k.endsWith('\nregistration')).map(([k, v]) => k + v).join();
    if (this.geometry.length && places(before) !== places(this.choices))
      this.readGeometry().then(() => this.emit('choices'), () => {});
    this.emit('choices');
  }

  /** @param {{findings: Finding[], reshoot: Reshoot[]}} state */
  takeFindings(state) {
    this.findings = state.findings;
    this.reshoot = state.reshoot;
    this.emit('findings');
  }

  // ---- looking ----

  /** @param {number} n */
  go(n) {
    const to = clamp(Math.round(n), 0, Math.max(this.reel.frames - 1, 0));
    if (to === this.n) return;
    this.n = to;
    this.emit('frame');
  }

  get fps() {
    return rate(this.choices.get('reel\nfps') ?? this.reel.fps);
  }

  /** @param {number} n */
  sceneAt(n) {
    return this.reel.scenes.find((s) => n >= s.first && n <= s.last) ?? null;
  }

  get scene() {
    return this.sceneAt(this.n);
  }

  /** @param {number} n @returns {Affine | null} */
  placeOf(n) {
    const at = n * NUMBERS;
    if (!(at + 5 < this.geometry.length) || Number.isNaN(this.geometry[at])) return null;
    return /** @type {Affine} */ ([...this.geometry.subarray(at, at + 6)]);
  }

  /** @param {number} n */
  methodOf(n) {
    const code = this.geometry[n * NUMBERS + 6];
    return Number.isNaN(code) ? '' : METHODS[code] ?? '';
  }

  /** @param {number} n */
  confidenceOf(n) {
    return this.geometry[n * NUMBERS + 7];
  }

  get surveyed() {
    return this.usualPlace !== null;
  }

  /** @returns {Affine | null} */
  medianPlace() {
    /** @type {number[]} */
    const rows = [];
    for (let at = 0; at < this.geometry.length; at += NUMBERS)
      if (!Number.isNaN(this.geometry[at])) rows.push(at);
    if (!rows.length) return null;
    const median = (/** @type {number} */ k) => {
      const values = rows.map((at) => this.geometry[at + k]).sort((a, b) => a - b);
      return values[values.length >> 1];
    };
    return [median(0), median(1), median(2), median(3), median(4), median(5)];
  }

  /** Pictures on the film before frame n: second stills of the same one do not count. @param {number} n */
  filmBefore(n) {
    return n - this.reel.doubled.filter((k) => k < n).length;
  }

  /** The still that shows frame n; 0: none. @param {number} n */
  stillOf(n) {
    return this.reel.stills[n] ?? 0;
  }

  // ---- choices ----

  /**
   * What holds for a scene (null: for the reel), and where it comes from.
   * @param {string} key @param {Scene | null} scene
   * @returns {{value: string | null, from: 'scene' | 'reel' | ''}}
   */
  choice(key, scene) {
    const own = scene && this.choices.get(`scene:${scene.id}\n${key}`);
    if (own !== null && own !== undefined) return { value: own, from: 'scene' };
    const reel = this.choices.get(`reel\n${key}`);
    return reel === undefined ? { value: null, from: '' } : { value: reel, from: 'reel' };
  }

  /** @param {number} n */
  framing(n) {
    const scene = this.sceneAt(n);
    const number = (/** @type {string} */ key, /** @type {number} */ usual) => {
      const value = this.trying.get(key) ?? this.choice(key, scene).value;
      return value === null ? usual : Number(value);
    };
    const way = this.choice('way_up', null).value ?? this.reel.wayUp ?? '1';
    return {
      wayUp: Number(way) < 0 ? -1 : 1,
      mirror: this.choice('mirror', null).value === 'on',
      x: number('crop.x', 0), y: number('crop.y', 0), scale: number('crop.scale', 1),
    };
  }

  /**
   * Changes go one after another, each asked for in view of what the one before left: keys that
   * come faster than answers are neither lost nor refused.
   * @param {() => Promise<boolean>} act
   */
  inTurn(act) {
    const done = this.turn.then(act);
    this.turn = done.catch(() => false);
    return done;
  }

  /** @param {string} address @param {any} body */
  async change(address, body) {
    try {
      this.takeChoices(await post(reelAddress(this.name, address), body));
      return true;
    } catch (error) {
      if (!(error instanceof BenchError)) throw error;
      tell(error.message, 'fault');
      await this.readChoices().catch(() => {});
      return false;
    }
  }

  /** @param {[string, string, string | null][]} changes */
  choose(changes) {
    return this.inTurn(() => this.change('choices', { seen: this.revision, changes }));
  }

  /** @param {{n: number, first: number, last: number, how: string, place: string | null}} wish */
  place(wish) {
    return this.inTurn(() => this.change('place', { seen: this.revision, ...wish }));
  }

  undoStep() {
    return this.inTurn(async () => {
      if (this.undo) return this.change('undo', { step: this.undo });
      tell('There is nothing to undo.');
      return false;
    });
  }

  redoStep() {
    return this.inTurn(async () => {
      if (this.redo) return this.change('redo', { step: this.redo });
      tell('There is nothing to do again.');
      return false;
    });
  }

  /** A control is being moved. @param {string} key @param {string | null} value */
  try(key, value) {
    if (value === null) this.trying.delete(key);
    else this.trying.set(key, value);
    this.emit('try');
  }

  // ---- findings ----

  /** @param {number} id @param {string} state @param {string | null} note */
  async judge(id, state, note) {
    this.takeFindings(await post(reelAddress(this.name, `finding/${id}`), { state, note }));
  }

  /** Open ones along the film. @returns {Finding[]} */
  get walk() {
    return this.findings.filter((f) => f.state !== 'dismissed').sort((a, b) => a.first - b.first);
  }
}
