// SPDX-License-Identifier: GPL-3.0-or-later
// The reel map: the film itself as one continuous strip, from the whole reel down to single frames,
// with scenes under it, findings marked above it as one marks film, and measurements below.

import { clamp, clock, count, feet, filmToFrame } from './film.js';
import { el, oncePerFrame } from './dom.js';
import { layStill } from './plate.js';
import { Smalls } from './smalls.js';

/** @typedef {import('./session.js').Session} Session @typedef {import('./session.js').Finding} Finding */

const MARKS = 18; // px above the strip
const STRIP = 70;
const SCENES = 19;
const RIBBON = 26;
const PERFORATIONS = 13; // of the strip's height
const EDGE = 5;
const PICTURE = STRIP - PERFORATIONS - EDGE;
const SLOT = Math.round(PICTURE * 1.32);
const MOST_ZOOM = 132; // px a frame

export const INK = '#1b1b1b', PAPER = '#f4f4f4', FILM = '#242424', FAINT = '#6a6a6a', RULE = '#cdcdcd',
  GATE = '#c9301c';
/** as one marks film: crossed out, ringed, ticked */
export const SEVERITY = {
  redo: { colour: '#b3261a', title: 'Shoot again', shape: 'cross' },
  look: { colour: '#8a5a00', title: 'Look', shape: 'ring' },
  note: { colour: '#33597d', title: 'Note', shape: 'tick' },
};

/** @param {string} severity */
export const severityOf = (severity) => SEVERITY[/** @type {keyof typeof SEVERITY} */ (severity)] ?? SEVERITY.note;

/** Smallest of 1 2 3 ... 8 10 12 14 16 20 ... that is not below x. @param {number} x */
function stepFrom(x) {
  let unit = 1;
  while (unit * 8 < x) unit *= 2;
  return unit * Math.max(Math.ceil(x / unit), 1);
}

/** Median of few numbers. @param {number[]} values */
function median(values) {
  const sorted = values.filter((v) => !Number.isNaN(v)).sort((a, b) => a - b);
  return sorted.length ? sorted[sorted.length >> 1] : NaN;
}

/** How far each frame lies from its neighbours' place, px of the still. @param {Session} session */
export function weaveOf(session) {
  const { frames, gauge } = session.reel;
  const [x, y, w, h] = gauge.aperture;
  const cx = x + w / 2, cy = y + h / 2;
  const px = new Float64Array(frames), py = new Float64Array(frames);
  for (let n = 0; n < frames; n++) {
    const m = session.placeOf(n);
    px[n] = m ? m[0] * cx + m[1] * cy + m[2] : NaN;
    py[n] = m ? m[3] * cx + m[4] * cy + m[5] : NaN;
  }
  const out = new Float32Array(frames);
  for (let n = 0; n < frames; n++) {
    const from = Math.max(n - 6, 0), to = Math.min(n + 7, frames);
    out[n] = Math.hypot(px[n] - median([...px.subarray(from, to)]), py[n] - median([...py.subarray(from, to)]));
  }
  return out;
}

export class ReelMap {
  /**
   * @param {Session} session
   * @param {{name: string, title: string, unit: string, help: string}[]} measures
   * @param {Record<string, string>} kinds titles of findings
   */
  constructor(session, measures, kinds) {
    this.session = session;
    this.kinds = kinds;
    this.measures = [{ name: '', title: 'Weave', unit: 'px', help: 'How far a frame lies from where its neighbours lie on the still.' }, ...measures];
    this.rows = /** @type {string[]} */ (JSON.parse(localStorage.getItem('ribbons') ?? '["sharpness","exposure"]'));
    this.from = 0;
    this.to = Math.max(session.reel.frames, 1);
    this.thumbs = new Smalls(session, { keep: 700, parallel: 3, width: 128 });
    this.thumbs.onload = () => this.draw();
    /** @type {Map<string, Float32Array>} */
    this.values = new Map();
    /** @type {Map<number, number>} */
    this.pointers = new Map();
    this.hover = /** @type {Finding | null} */ (null);
    this.width = 100;
    this.onfollow = /** @type {(() => boolean) | null} */ (null);

    this.canvas = el('canvas', {
      class: 'map-strip', tabindex: 0, role: 'slider', 'aria-label': 'Reel map', 'aria-valuemin': 0,
      'aria-valuemax': Math.max(session.reel.frames - 1, 0),
    });
    this.context = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext('2d', { alpha: false }));
    this.whole = el('canvas', { class: 'map-whole', 'aria-hidden': 'true' });
    this.wholeContext = /** @type {CanvasRenderingContext2D} */ (this.whole.getContext('2d', { alpha: false }));
    this.tip = el('div', { class: 'map-tip', hidden: true });
    this.counter = el('div', { class: 'counter' });
    this.rowList = el('div', { class: 'map-rows' });
    this.node = el('section', { class: 'map', 'aria-label': 'The reel' });
    this.body = el('div', { class: 'map-body' }, this.canvas, this.tip);

    this.draw = oncePerFrame(() => this.drawNow());
    this.drawWhole = oncePerFrame(() => this.drawWholeNow());
    this.watcher = new ResizeObserver(() => this.resize());
    this.watcher.observe(this.body);
    this.watcher.observe(this.whole);
    this.stop = new AbortController();
    const listen = (/** @type {string} */ name, /** @type {() => void} */ f) =>
      session.addEventListener(name, f, { signal: this.stop.signal });
    listen('frame', () => this.follow());
    listen('choices', () => this.changed());
    listen('findings', () => this.changed());
    listen('reel', () => {
      this.thumbs.clear();
      this.values.clear();
      this.showAll();
      this.loadRows();
      this.loadBands();
    });
    this.listenToPointers();
    this.loadRows();
    /** frames that give the whole line its colours @type {number[]} */
    this.bandFrames = [];
    this.bandStore = new Smalls(session, { keep: 400, parallel: 2, column: 14 });
    this.bandStore.onload = () => this.drawWhole();
    this.loadBands();
    this.say();
  }

  close() {
    this.stop.abort();
    this.watcher.disconnect();
    this.thumbs.clear();
    this.bandStore.clear();
  }

  get height() {
    return MARKS + STRIP + SCENES + this.rows.length * RIBBON + 4;
  }

  changed() {
    this.draw();
    this.drawWhole();
  }

  resize() {
    const density = window.devicePixelRatio || 1;
    this.width = Math.max(this.body.clientWidth, 100);
    this.canvas.style.height = `${this.height}px`;
    this.canvas.width = Math.round(this.width * density);
    this.canvas.height = Math.round(this.height * density);
    this.whole.width = Math.round(this.whole.clientWidth * density);
    this.whole.height = Math.round(this.whole.clientHeight * density);
    this.drawNow();
    this.drawWholeNow();
  }

  // ---- measurements ----

  async loadRows() {
    for (const name of this.rows) {
      if (this.values.has(name)) continue;
      try {
        this.values.set(name, name ? await this.session.readSeries(name) : weaveOf(this.session));
      } catch { /* the row stays empty */ }
    }
    this.sayRows();
    this.draw();
  }

  /** @param {string} name @param {boolean} on */
  setRow(name, on) {
    this.rows = this.rows.filter((r) => r !== name);
    if (on) this.rows.push(name);
    localStorage.setItem('ribbons', JSON.stringify(this.rows));
    this.resize();
    this.loadRows();
  }

  loadBands() {
    const { frames } = this.session.reel;
    const parts = Math.min(frames, 240);
    this.bandFrames = Array.from({ length: parts }, (_, i) => this.shownNear(Math.floor((i + 0.5) * frames / parts), 3));
    // from coarse to fine, so that the reel's colours stand early
    const order = [...this.bandFrames.keys()].sort((a, b) => (b & -b) - (a & -a) || a - b);
    this.bandStore.clear();
    this.bandStore.want(order.map((i) => this.bandFrames[i]));
  }

  // ---- where ----

  /** @param {number} n frame, its left edge */
  x(n) {
    return (n - this.from) * this.pixels;
  }

  get pixels() {
    return this.width / (this.to - this.from);
  }

  /** @param {number} x */
  frameAt(x) {
    return clamp(Math.floor(this.from + x / this.pixels), 0, this.session.reel.frames - 1);
  }

  /** @param {number} from @param {number} to */
  show(from, to) {
    const { frames } = this.session.reel;
    const least = this.width / MOST_ZOOM;
    let span = clamp(to - from, Math.min(least, frames), Math.max(frames, 1));
    const middle = (from + to) / 2;
    this.from = clamp(middle - span / 2, 0, Math.max(frames - span, 0));
    this.to = this.from + span;
    this.draw();
    this.drawWhole();
  }

  showAll() {
    this.show(0, this.session.reel.frames);
  }

  showFrames() {
    const span = this.width / 84;
    this.show(this.session.n + 0.5 - span / 2, this.session.n + 0.5 + span / 2);
  }

  showScene() {
    const scene = this.session.scene;
    if (!scene) return;
    const room = (scene.last - scene.first + 1) * 0.04;
    this.show(scene.first - room, scene.last + 1 + room);
  }

  /** @param {number} factor @param {number} [x] the place that stays */
  zoom(factor, x = clamp(this.x(this.session.n + 0.5), 0, this.width)) {
    const at = this.from + x / this.pixels;
    const span = (this.to - this.from) / factor;
    const { frames } = this.session.reel;
    const kept = clamp(span, Math.min(this.width / MOST_ZOOM, frames), frames);
    const from = at - x / this.width * kept;
    this.show(from, from + kept);
  }

  follow() {
    const { n } = this.session;
    const span = this.to - this.from;
    if (n < this.from || n + 1 > this.to) {
      const middle = this.onfollow?.() ? n + span * 0.45 : n + 0.5;
      this.show(middle - span / 2, middle + span / 2);
    } else {
      this.draw();
      this.drawWhole();
    }
    this.say();
  }

  sayRows() {
    this.rowList.replaceChildren(...this.rows.map((name) => {
      const measure = this.measures.find((m) => m.name === name);
      const value = this.values.get(name)?.[this.session.n];
      const row = el('div', { title: measure?.help }, el('span', null, measure?.title ?? name),
        el('span', null, value === undefined || Number.isNaN(value) ? '' : value.toPrecision(3)));
      row.style.height = `${RIBBON}px`;
      return row;
    }));
  }

  say() {
    const { session } = this;
    this.sayRows();
    const seconds = session.filmBefore(session.n) / session.fps;
    const scene = session.scene ? session.reel.scenes.indexOf(session.scene) + 1 : 0;
    this.counter.replaceChildren(
      el('strong', null, count(session.n)),
      el('span', null, ` of ${count(Math.max(session.reel.frames - 1, 0))}`),
      el('span', { class: 'quiet' }, `${clock(seconds, 1)} · ${feet(session.filmBefore(session.n) / session.reel.gauge.framesPerFoot * 304.8)}${scene ? ` · scene ${scene}` : ''}`));
    this.canvas.setAttribute('aria-valuenow', String(session.n));
    this.canvas.setAttribute('aria-valuetext', `Frame ${session.n}${scene ? `, scene ${scene}` : ''}`);
  }

  // ---- hands ----

  listenToPointers() {
    const { canvas, whole } = this;
    canvas.addEventListener('pointerdown', (event) => {
      canvas.setPointerCapture(event.pointerId);
      this.pointers.set(event.pointerId, event.offsetX);
      if (this.pointers.size === 1) {
        const finding = event.offsetY < MARKS ? this.findingAt(event.offsetX) : null;
        this.session.go(finding ? finding.first : this.frameAt(event.offsetX));
        if (finding) canvas.dispatchEvent(new CustomEvent('finding', { bubbles: true, detail: finding }));
      }
    });
    canvas.addEventListener('pointermove', (event) => {
      if (!this.pointers.has(event.pointerId)) {
        this.showTip(event.offsetX, event.offsetY);
        return;
      }
      if (this.pointers.size === 2) this.pinch(event);
      else this.session.go(this.frameAt(clamp(event.offsetX, 0, this.width - 1)));
      this.pointers.set(event.pointerId, event.offsetX);
    });
    for (const name of /** @type {const} */ (['pointerup', 'pointercancel']))
      canvas.addEventListener(name, (event) => this.pointers.delete(event.pointerId));
    canvas.addEventListener('pointerleave', () => this.showTip(-1, -1));
    canvas.addEventListener('dblclick', () => this.showScene());
    canvas.addEventListener('wheel', (event) => {
      event.preventDefault();
      const sideways = event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY);
      const delta = (event.deltaMode ? 30 : 1) * (sideways ? event.deltaX || event.deltaY : event.deltaY);
      if (sideways) this.show(this.from + delta / this.pixels, this.to + delta / this.pixels);
      else this.zoom(Math.exp(-delta * 0.0018), event.offsetX);
    }, { passive: false });
    const jump = (/** @type {PointerEvent} */ event) =>
      this.session.go(clamp(event.offsetX / whole.clientWidth, 0, 0.999999) * this.session.reel.frames);
    whole.addEventListener('pointerdown', (event) => {
      whole.setPointerCapture(event.pointerId);
      jump(event);
    });
    whole.addEventListener('pointermove', (event) => {
      if (event.buttons) jump(event);
    });
  }

  /** @param {PointerEvent} event */
  pinch(event) {
    const others = [...this.pointers].filter(([id]) => id !== event.pointerId);
    const fixed = others[0][1], before = /** @type {number} */ (this.pointers.get(event.pointerId));
    const was = Math.abs(before - fixed), now = Math.abs(event.offsetX - fixed);
    if (was > 8 && now > 8) this.zoom(now / was, fixed);
  }

  /** @param {number} x */
  findingAt(x) {
    const near = this.session.walk.filter((f) => Math.abs(this.x((f.first + f.last + 1) / 2) - x) < 9
      || (f.last > f.first && x >= this.x(f.first) && x <= this.x(f.last + 1)));
    const order = ['redo', 'look', 'note'];
    return near.sort((a, b) => order.indexOf(a.severity) - order.indexOf(b.severity))[0] ?? null;
  }

  /** @param {number} x @param {number} y */
  showTip(x, y) {
    const finding = y >= 0 && y < MARKS + 4 ? this.findingAt(x) : null;
    const row = Math.floor((y - MARKS - STRIP - SCENES) / RIBBON);
    const measure = row >= 0 ? this.measures.find((m) => m.name === this.rows[row]) : null;
    let text = '';
    if (finding) text = `${this.kinds[finding.kind] ?? finding.kind}: frame ${count(finding.first)}`;
    else if (measure) {
      const n = this.frameAt(x), value = this.values.get(measure.name)?.[n];
      text = `${measure.title}, frame ${count(n)}: ${value === undefined || Number.isNaN(value) ? 'not known' : `${value.toPrecision(3)} ${measure.unit}`}`;
    }
    this.tip.hidden = !text;
    if (!text) return;
    this.tip.textContent = text;
    this.tip.style.left = `${clamp(x + 10, 0, this.width - this.tip.offsetWidth - 4)}px`;
    this.tip.style.top = `${Math.max(y - 30, 0)}px`;
  }

  // ---- drawing ----

  drawNow() {
    const { context: c } = this;
    const density = this.canvas.width / this.width;
    c.setTransform(density, 0, 0, density, 0, 0);
    c.fillStyle = PAPER;
    c.fillRect(0, 0, this.width, this.height);
    if (!this.session.reel.frames) return;
    this.drawStrip(c);
    this.drawScenes(c);
    this.drawFindings(c);
    this.rows.forEach((name, i) => this.drawRibbon(c, name, MARKS + STRIP + SCENES + i * RIBBON));
    this.drawGate(c);
  }

  /** @param {CanvasRenderingContext2D} c */
  drawStrip(c) {
    const { frames } = this.session.reel;
    const left = Math.max(this.x(0), 0), right = Math.min(this.x(frames), this.width);
    c.fillStyle = FILM;
    c.fillRect(left, MARKS, right - left, STRIP);
    this.drawPictures(c);
    this.drawPerforations(c);
    this.drawJoins(c);
  }

  /** @param {CanvasRenderingContext2D} c */
  drawPictures(c) {
    const { session, pixels } = this;
    const step = pixels >= SLOT ? 1 : stepFrom(SLOT / pixels);
    const first = Math.max(Math.floor(this.from / step) * step, 0);
    const last = Math.min(this.to, session.reel.frames);
    const top = MARKS + PERFORATIONS;
    /** @type {number[]} */
    const wanted = [];
    for (let n = first; n < last; n += step) {
      const width = Math.min(step, session.reel.frames - n) * pixels;
      const shown = this.shownNear(Math.min(n + (step >> 1), session.reel.frames - 1), step >> 1);
      const gap = clamp(width * 0.03, 1, 3);
      const thumb = this.thumbs.peek(shown);
      if (!thumb) wanted.push(shown);
      this.drawPicture(c, shown, thumb, this.x(n) + gap / 2, top, width - gap, PICTURE);
    }
    const middle = this.session.n;
    const apart = this.to - this.from;
    wanted.sort((a, b) => Math.abs(a - middle) - Math.abs(b - middle));
    for (let n = last; n < Math.min(last + apart * 0.3, session.reel.frames); n += step) wanted.push(Math.min(n + (step >> 1), session.reel.frames - 1));
    this.thumbs.want(wanted);
  }

  /** The frame nearest to n that a still shows, not further than reach; else n.
   * @param {number} n @param {number} reach */
  shownNear(n, reach) {
    for (let d = 0; d <= reach; d++)
      for (const k of [n - d, n + d]) if (this.session.stillOf(k) && !this.session.reel.unreadable.includes(k)) return k;
    return n;
  }

  /** @param {CanvasRenderingContext2D} c @param {number} n @param {ImageBitmap | null} thumb
   * @param {number} x @param {number} y @param {number} w @param {number} h */
  drawPicture(c, n, thumb, x, y, w, h) {
    const { session } = this;
    c.save();
    c.beginPath();
    c.roundRect(x, y, w, h, 2);
    c.clip();
    c.fillStyle = session.stillOf(n) ? '#3d3d3d' : '#6a6a6a';
    c.fillRect(x, y, w, h);
    const place = session.placeOf(n) ?? session.usualPlace;
    if (thumb && place) {
      const shape = session.reel.gauge.shown[2] / session.reel.gauge.shown[3];
      const width = Math.max(w, h * shape), height = width / shape; // cover
      c.translate(x + (w - width) / 2, y + (h - height) / 2);
      layStill(c, thumb, session.reel.stillWidth, place, filmToFrame(session.reel.gauge, session.framing(n), width, height));
    } else if (thumb) {
      const k = Math.max(w / thumb.width, h / thumb.height);
      c.drawImage(thumb, x + (w - thumb.width * k) / 2, y + (h - thumb.height * k) / 2, thumb.width * k, thumb.height * k);
    } else if (!session.stillOf(n)) {
      c.strokeStyle = '#bdbdbd';
      c.setLineDash([3, 3]);
      c.strokeRect(x + 2.5, y + 2.5, w - 5, h - 5);
    }
    c.restore();
  }

  /** Holes where this gauge has them; they run together and fade as one steps back. @param {CanvasRenderingContext2D} c */
  drawPerforations(c) {
    const { pixels } = this;
    const { gauge, frames } = this.session.reel;
    const y = MARKS + 3, h = PERFORATIONS - 6;
    if (pixels < 5) {
      c.fillStyle = '#565656';
      c.fillRect(Math.max(this.x(0), 0), y + h / 2 - 0.5, Math.min(this.x(frames), this.width) - Math.max(this.x(0), 0), 1);
      return;
    }
    const strength = clamp((pixels - 5) / 8, 0, 1);
    c.fillStyle = `rgba(244,244,244,${0.25 + 0.75 * strength})`;
    const w = clamp(gauge.perforations[0][3] / gauge.pitch * pixels, 1.5, 22);
    for (let n = Math.floor(this.from); n < Math.min(this.to, frames) + 1; n++) {
      if (n >= frames && !gauge.onFrameLine) break;
      const x = this.x(n) + (gauge.onFrameLine ? 0 : pixels / 2) - w / 2;
      c.beginPath();
      c.roundRect(x, y, w, h, Math.min(2, w / 3));
      c.fill();
    }
  }

  /** Where the film was cut or joined. @param {CanvasRenderingContext2D} c */
  drawJoins(c) {
    c.fillStyle = PAPER;
    for (const scene of this.session.reel.scenes) {
      if (scene.first === 0) continue;
      const x = this.x(scene.first);
      if (x < -4 || x > this.width + 4) continue;
      const w = scene.cue === 'splice' ? 3 : 1.5;
      c.fillRect(x - w / 2, MARKS, w, STRIP);
    }
  }

  /** @param {CanvasRenderingContext2D} c */
  drawScenes(c) {
    const { scenes } = this.session.reel;
    const y = MARKS + STRIP;
    c.font = '11px system-ui, sans-serif';
    c.textBaseline = 'middle';
    let free = -Infinity;
    scenes.forEach((scene, i) => {
      const x = this.x(scene.first), end = this.x(scene.last + 1);
      if (end < 0 || x > this.width) return;
      c.fillStyle = i % 2 ? '#c3c3c3' : '#8d8d8d';
      c.fillRect(x + 1, y + 3, Math.max(end - x - 2, 1), 2);
      const text = end - x > 90 ? `Scene ${i + 1}` : String(i + 1);
      const at = Math.max(x, 0) + 3, wide = c.measureText(text).width;
      if (at + wide > end || at < free) return;
      c.fillStyle = scene === this.session.scene ? INK : FAINT;
      c.fillText(text, at, y + 12.5);
      free = at + wide + 6;
    });
  }

  /** @param {CanvasRenderingContext2D} c */
  drawFindings(c) {
    const order = { note: 0, look: 1, redo: 2 };
    const list = this.session.walk.slice().sort((a, b) =>
      (order[/** @type {'note'} */ (a.severity)] ?? 0) - (order[/** @type {'note'} */ (b.severity)] ?? 0));
    for (const f of list) {
      const x = this.x((f.first + f.last + 1) / 2);
      const from = this.x(f.first), to = this.x(f.last + 1);
      if (to < -8 || from > this.width + 8) continue;
      const { colour } = severityOf(f.severity);
      c.strokeStyle = c.fillStyle = colour;
      if (to - from > 10 && f.last > f.first) c.fillRect(from, MARKS - 3, to - from, 2);
      drawMark(c, f.severity, clamp(x, Math.max(from, 6), Math.max(Math.min(to, this.width - 6), 6)), MARKS - 9.5, 4, f.state === 'confirmed');
    }
  }

  /** @param {CanvasRenderingContext2D} c @param {string} name @param {number} top */
  drawRibbon(c, name, top) {
    const values = this.values.get(name);
    c.strokeStyle = RULE;
    c.lineWidth = 1;
    c.beginPath();
    c.moveTo(0, top + RIBBON - 0.5);
    c.lineTo(this.width, top + RIBBON - 0.5);
    c.stroke();
    if (values?.length) this.drawCurve(c, values, top + 3, RIBBON - 6);
  }

  /** The whole spread of the frames under each pixel, so that a single odd frame shows at any zoom.
   * @param {CanvasRenderingContext2D} c @param {Float32Array} values @param {number} top @param {number} height */
  drawCurve(c, values, top, height) {
    const [low, high] = spread(values);
    const y = (/** @type {number} */ v) => top + height - clamp((v - low) / (high - low || 1), -0.1, 1.1) * height;
    c.strokeStyle = '#4b4b4b';
    c.lineWidth = 1;
    c.lineJoin = 'round';
    c.beginPath();
    let pen = false;
    if (this.pixels > 1.5) {
      for (let n = Math.max(Math.floor(this.from) - 1, 0); n < Math.min(this.to + 1, values.length); n++) {
        const v = values[n];
        if (Number.isNaN(v)) pen = false;
        else if (pen) c.lineTo(this.x(n + 0.5), y(v));
        else c.moveTo(this.x(n + 0.5), y(v));
        pen = pen || !Number.isNaN(v);
      }
      c.stroke();
      return;
    }
    for (let x = 0; x < this.width; x++) {
      const a = Math.floor(this.from + x / this.pixels);
      const b = Math.max(Math.floor(this.from + (x + 1) / this.pixels), a + 1);
      let least = Infinity, most = -Infinity;
      for (let n = Math.max(a, 0); n < Math.min(b, values.length); n++) {
        const v = values[n];
        if (v < least) least = v;
        if (v > most) most = v;
      }
      if (least === Infinity) {
        pen = false;
        continue;
      }
      if (pen) c.lineTo(x + 0.5, y(most));
      else c.moveTo(x + 0.5, y(most));
      if (least !== most) c.lineTo(x + 0.5, y(least));
      pen = true;
    }
    c.stroke();
  }

  /** The gate stands round the frame that one looks at. @param {CanvasRenderingContext2D} c */
  drawGate(c) {
    const { n } = this.session;
    const middle = this.x(n + 0.5), w = Math.max(this.pixels, 7);
    const x = middle - w / 2;
    if (x > this.width || x + w < 0) return;
    const bottom = this.height;
    c.strokeStyle = GATE;
    c.lineWidth = 1;
    c.beginPath();
    c.moveTo(middle, MARKS + STRIP + 3);
    c.lineTo(middle, bottom);
    c.stroke();
    c.strokeStyle = PAPER;
    c.lineWidth = 4;
    c.beginPath();
    c.roundRect(x, MARKS - 1.5, w, STRIP + 3, 3);
    c.stroke();
    c.strokeStyle = GATE;
    c.lineWidth = 2;
    c.stroke();
  }

  drawWholeNow() {
    const { wholeContext: c, whole, session } = this;
    const { frames } = session.reel;
    const width = whole.clientWidth, height = whole.clientHeight;
    const density = whole.width / Math.max(width, 1);
    c.setTransform(density, 0, 0, density, 0, 0);
    c.fillStyle = PAPER;
    c.fillRect(0, 0, width, height);
    if (!frames) return;
    const top = 7, band = height - 14;
    const k = width / frames;
    c.fillStyle = '#3d3d3d';
    c.fillRect(0, top, width, band);
    const parts = this.bandFrames;
    parts.forEach((n, i) => {
      const picture = this.bandStore.kept.get(n);
      if (!picture) return;
      c.drawImage(picture, i * width / parts.length, top, width / parts.length + 0.6, band);
    });
    c.fillStyle = PAPER;
    for (const scene of session.reel.scenes) if (scene.first) c.fillRect(scene.first * k - 0.5, top, 1, band);
    for (const f of session.walk) {
      c.fillStyle = severityOf(f.severity).colour;
      c.fillRect((f.first + 0.5) * k - 1, 1, 2, 4);
    }
    const from = this.from * k, to = this.to * k;
    if (to - from < width - 1) {
      c.fillStyle = 'rgba(244,244,244,.62)';
      c.fillRect(0, top, from, band);
      c.fillRect(to, top, width - to, band);
      c.strokeStyle = INK;
      c.lineWidth = 1.5;
      c.strokeRect(from + 0.75, top - 2, Math.max(to - from - 1.5, 3), band + 4);
    }
    c.fillStyle = GATE;
    c.fillRect((session.n + 0.5) * k - 1, 2, 2, height - 4);
  }
}

/** Where most values lie. @param {Float32Array} values @returns {[number, number]} */
export function spread(values) {
  const step = Math.max(Math.floor(values.length / 3000), 1);
  const some = [];
  for (let i = 0; i < values.length; i += step) if (!Number.isNaN(values[i])) some.push(values[i]);
  if (!some.length) return [0, 1];
  some.sort((a, b) => a - b);
  const low = some[Math.floor(some.length * 0.01)], high = some[Math.min(Math.floor(some.length * 0.99), some.length - 1)];
  const room = (high - low || Math.abs(high) || 1) * 0.08;
  return [low - room, high + room];
}

/** @param {CanvasRenderingContext2D} c @param {string} severity @param {number} x @param {number} y
 * @param {number} r @param {boolean} solid */
export function drawMark(c, severity, x, y, r, solid) {
  c.lineWidth = 2;
  c.lineCap = 'round';
  c.beginPath();
  const { shape } = severityOf(severity);
  if (shape === 'cross') {
    c.moveTo(x - r, y - r);
    c.lineTo(x + r, y + r);
    c.moveTo(x + r, y - r);
    c.lineTo(x - r, y + r);
  } else if (shape === 'ring') {
    c.arc(x, y, r, 0, 7);
    if (solid) c.fill();
  } else {
    c.moveTo(x, y - r);
    c.lineTo(x, y + r);
  }
  c.stroke();
  c.lineCap = 'butt';
}
