// SPDX-License-Identifier: GPL-3.0-or-later
// The large picture: a canvas on a neutral ground. Shows a frame at once from its small picture, laid
// where the film lies, and the finished one as soon as it is made.

import { finishedAddress, getPicture } from './api.js';
import { apply, clamp, filmToFrame, invert, then } from './film.js';
import { el, oncePerFrame } from './dom.js';

/** @typedef {import('./session.js').Session} Session @typedef {import('./film.js').Affine} Affine */

const SETTLE = 90; // ms without another frame before the finished picture is asked for
const BIGGEST = 2048;
const MOVIE = { width: 1440, height: 1080 }; // px: the usual movie
const LONG = 900; // ms after which it is said that something takes its time

/**
 * Draws a small or whole still so that the film lies as in a frame of this size.
 * @param {CanvasRenderingContext2D} context
 * @param {CanvasImageSource & {width: number, height: number}} picture
 * @param {number} stillWidth @param {Affine} filmToStill @param {Affine} filmToPicture
 */
export function layStill(context, picture, stillWidth, filmToStill, filmToPicture) {
  const k = picture.width / stillWidth; // picture px per stored px, edges aligned
  const toFrame = then(invert(filmToStill), filmToPicture);
  // canvas and picture are measured from their edges, places from pixel centres
  const m = then(then([1 / k, 0, -0.5, 0, 1 / k, -0.5], toFrame), [1, 0, 0.5, 0, 1, 0.5]);
  context.save();
  context.transform(m[0], m[3], m[1], m[4], m[2], m[5]);
  context.drawImage(picture, 0, 0);
  context.restore();
}

/** The crop that the projector would show, or the person's. @param {Session} session @param {number} n */
export function shapeOf(session, n) {
  const [, , w, h] = session.reel.gauge.shown;
  void n;
  return w / h;
}

export class Plate {
  /** @param {Session} session @param {import('./smalls.js').Smalls} smalls
   * @param {string[]} slow stages that look at many frames: their picture comes second */
  constructor(session, smalls, slow) {
    this.slow = slow;
    this.session = session;
    this.smalls = smalls;
    this.canvas = el('canvas', { class: 'plate', role: 'img' });
    this.note = el('p', { class: 'plate-note', hidden: true });
    this.line = el('p', { class: 'plate-line', role: 'status', hidden: true });
    this.node = el('div', { class: 'ground' }, el('div', { class: 'mount' }, this.canvas), this.note, this.line);
    this.context = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext('2d', { alpha: false }));
    this.playing = false;
    /** the finished picture is made as large as in the movie: a smaller one has other repairs */
    this.asMovie = false;
    /** what is on the canvas */
    this.shown = { n: -1, finished: false };
    this.timer = 0;
    this.request = /** @type {AbortController | null} */ (null);
    this.again = false;
    /** a picture is in work that looks at many frames @type {boolean} */
    this.long = false;
    /** by which the bench gives up what this page does not wait for any more */
    this.page = crypto.getRandomValues(new Uint32Array(2)).join('');
    /** ms that the last finished picture took, for the latency table */
    this.lastDelay = 0;
    this.finishedCount = 0;
    /** the picture in a hand, and how the film lay in it @type {{picture: OffscreenCanvas, place: Affine} | null} */
    this.held = null;
    this.draw = oncePerFrame(() => this.drawNow());
    this.watcher = new ResizeObserver(() => this.resize());
    this.watcher.observe(this.node);
    this.stop = new AbortController();
    const listen = (/** @type {string} */ name, /** @type {() => void} */ f) =>
      session.addEventListener(name, f, { signal: this.stop.signal });
    listen('frame', () => this.frameChanged());
    listen('choices', () => this.refresh());
    listen('reel', () => this.refresh());
    listen('try', () => this.refresh(true));
  }

  close() {
    this.stop.abort();
    this.watcher.disconnect();
    this.request?.abort();
    clearTimeout(this.timer);
  }

  resize() {
    const room = this.node.getBoundingClientRect();
    const mount = /** @type {HTMLElement} */ (this.canvas.parentElement);
    const style = getComputedStyle(mount);
    const pad = parseFloat(style.paddingLeft) * 2;
    const shape = shapeOf(this.session, this.session.n);
    const width = Math.max(Math.min(room.width - pad, (room.height - pad) * shape), 64);
    const height = width / shape;
    const density = window.devicePixelRatio || 1;
    this.canvas.style.width = `${Math.round(width)}px`;
    this.canvas.style.height = `${Math.round(height)}px`;
    const w = clamp(2 * Math.round(width * density / 2), 64, BIGGEST);
    const h = clamp(2 * Math.round(height * density / 2), 64, BIGGEST);
    if (w === this.canvas.width && h === this.canvas.height) return;
    this.canvas.width = w;
    this.canvas.height = h;
    this.shown = { n: -1, finished: false };
    this.drawNow();
    this.refresh();
  }

  /** Of the finished picture, as it is asked for. */
  get size() {
    const { width, height } = this.canvas;
    return this.asMovie ? MOVIE : { width, height };
  }

  frameChanged() {
    this.draw();
    this.smalls.want(around(this.session.n));
    this.refresh();
  }

  drawNow() {
    const { session, context, canvas } = this;
    const n = session.n;
    this.canvas.setAttribute('aria-label', `Frame ${n}${session.scene ? `, scene ${session.reel.scenes.indexOf(session.scene) + 1}` : ''}`);
    if (this.shown.n === n && this.shown.finished) return;
    const picture = this.smalls.peek(n);
    const place = session.placeOf(n) ?? session.usualPlace;
    this.say(n);
    if (!picture) {
      if (!session.stillOf(n)) {
        context.fillStyle = '#b4b4b4';
        context.fillRect(0, 0, canvas.width, canvas.height);
        this.shown = { n, finished: false };
      }
      if (this.smalls.onload === null) this.smalls.onload = () => this.draw();
      this.smalls.want(around(n));
      return;
    }
    context.fillStyle = '#000';
    context.fillRect(0, 0, canvas.width, canvas.height);
    context.imageSmoothingQuality = this.playing ? 'low' : 'high';
    if (place) {
      layStill(context, picture, session.reel.stillWidth, place,
        filmToFrame(session.reel.gauge, session.framing(n), canvas.width, canvas.height));
    } else { // not surveyed: the whole still
      const k = Math.min(canvas.width / picture.width, canvas.height / picture.height);
      context.drawImage(picture, (canvas.width - picture.width * k) / 2, (canvas.height - picture.height * k) / 2,
        picture.width * k, picture.height * k);
    }
    this.shown = { n, finished: false };
  }

  /** @param {number} n */
  say(n) {
    const { session } = this;
    const text = !session.reel.frames ? 'This reel has no frames yet.'
      : !session.stillOf(n) ? 'No still shows this frame. The movie holds the one before it.'
        : this.smalls.failed.has(n) ? 'No picture can be made of this still.' : '';
    this.note.textContent = text;
    this.note.hidden = !text;
  }

  /** A line under the picture. @param {string} text */
  hint(text) {
    this.line.textContent = text;
    this.line.hidden = !text;
  }

  /** Film mm -> px of the canvas, with the crop as it is being tried. */
  filmPlace() {
    const { session, canvas } = this;
    return filmToFrame(session.reel.gauge, session.framing(session.n), canvas.width, canvas.height);
  }

  /** The crop is taken in hand: until letGo, what is shown follows it, with the small picture round it. */
  hold() {
    const picture = new OffscreenCanvas(this.canvas.width, this.canvas.height);
    picture.getContext('2d')?.drawImage(this.canvas, 0, 0);
    this.held = { picture, place: this.filmPlace() };
  }

  letGo() {
    this.held = null;
  }

  drawHeld() {
    const { context, held } = this;
    this.shown = { n: -1, finished: false };
    this.drawNow();
    if (!held) return;
    const [kx, , x, , ky, y] = then(invert(held.place), this.filmPlace());
    context.drawImage(held.picture, x + 0.5 - kx / 2, y + 0.5 - ky / 2, held.picture.width * kx, held.picture.height * ky);
  }

  /** Ask for the finished picture, soon. @param {boolean} [hurry] */
  refresh(hurry) {
    clearTimeout(this.timer);
    if (this.held) {
      this.drawHeld();
      if (hurry) return;
    }
    if (this.playing || !this.session.surveyed) {
      this.draw();
      return;
    }
    if (hurry && this.busy()) return;
    this.timer = window.setTimeout(() => this.finish(), hurry ? 0 : SETTLE);
  }

  /** One at a time, so that the bench is never behind by more than a picture; a long one is given up. */
  busy() {
    if (!this.request) return false;
    this.again = true;
    if (this.long) this.request.abort();
    return true;
  }

  async finish() {
    const { session, canvas } = this;
    if (this.busy()) return;
    const n = session.n, started = performance.now();
    const set = [...session.trying].filter(([key]) => !key.startsWith('crop.')).map(([key, value]) => `${key}=${value}`).join(',');
    this.request = new AbortController();
    this.again = false;
    const { width, height } = canvas, { size } = this;
    const inHand = [...session.trying].some(([key, value]) => !this.slow.includes(key.split('.')[0]) && session.choice(key, session.scene).value !== value);
    /** @param {Record<string, string>} more */
    const lay = async (more) => {
      const picture = await getPicture(finishedAddress(session.name, n, { w: size.width, h: size.height, r: session.revision, page: this.page, ...(set ? { set } : {}), ...more }), this.request?.signal);
      const wanted = session.n === n && !this.playing && width === canvas.width && height === canvas.height;
      if (wanted) {
        this.context.imageSmoothingQuality = 'high';
        const k = width / size.width; // of another shape, it is trimmed or between bars above and below
        this.context.drawImage(picture, 0, (height - size.height * k) / 2, width, size.height * k);
        this.shown = { n, finished: true };
      }
      picture.close();
      return wanted;
    };
    const laid = () => {
      this.lastDelay = performance.now() - started;
      this.finishedCount++;
    };
    const hint = window.setTimeout(() => this.hint('The scene is being prepared; it is done once for these choices.'), LONG);
    try {
      // at once without what looks at many frames; that follows, unless a hand is at another control
      if (inHand || this.shown.n !== n || !this.shown.finished)
        if (await lay({ skip: this.slow.join() }) && inHand) laid();
      this.long = !inHand;
      if (!inHand && await lay({})) {
        laid();
        this.node.dispatchEvent(new CustomEvent('finished', { bubbles: true, detail: { n } }));
      }
      this.hint('');
    } catch (error) {
      this.draw(); // the small one stands
      if (!(error instanceof DOMException)) this.hint(error instanceof Error ? error.message : String(error));
    }
    clearTimeout(hint);
    this.request = null;
    this.long = false;
    if (this.again || session.n !== n) this.refresh(true);
  }
}

/** The frame itself and its neighbours. @param {number} n */
function around(n) {
  const frames = [n];
  for (let d = 1; d <= 6; d++) frames.push(n + d, n - d);
  return frames.filter((k) => k >= 0);
}

export { apply };
