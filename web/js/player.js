// SPDX-License-Identifier: GPL-3.0-or-later
// Plays the reel at the film's own speed from small pictures that are fetched well ahead. A frame that
// is not there in time keeps its predecessor on the screen; the film's clock does not wait.

/** @typedef {import('./session.js').Session} Session */

const AHEAD = 40;

export class Player {
  /** @param {Session} session @param {import('./plate.js').Plate} plate */
  constructor(session, plate) {
    this.session = session;
    this.plate = plate;
    this.running = false;
    this.stats = { shown: 0, late: 0, seconds: 0 };
    this.onchange = /** @type {(() => void) | null} */ (null);
  }

  toggle() {
    if (this.running) this.stop();
    else this.start();
  }

  async start() {
    const { session, plate } = this;
    if (this.running || session.reel.frames < 2) return;
    const from = session.n >= session.reel.frames - 1 ? 0 : session.n;
    session.go(from);
    this.running = plate.playing = true;
    this.stats = { shown: 0, late: 0, seconds: 0 };
    this.onchange?.();
    await this.fetchFirst(from);
    if (!this.running) return;
    const began = performance.now();
    let last = from - 1;
    const step = (/** @type {number} */ now) => {
      if (!this.running) return;
      const n = from + Math.floor((now - began) / 1000 * session.fps);
      this.stats.seconds = (now - began) / 1000;
      if (n >= session.reel.frames) {
        session.go(session.reel.frames - 1);
        this.stop();
        return;
      }
      if (n !== last) {
        this.stats.shown++;
        if (n > last + 1) this.stats.late += n - last - 1; // frames that were never on the screen
        if (session.stillOf(n) && !plate.smalls.kept.has(n)) this.stats.late++;
        last = n;
        session.go(n);
        plate.smalls.want(this.ahead(n));
      }
      requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  }

  /** Some frames before the film starts to run. @param {number} from */
  async fetchFirst(from) {
    const { smalls } = this.plate;
    const until = performance.now() + 1500;
    const first = this.ahead(from).slice(0, 16);
    while (this.running && performance.now() < until &&
      first.some((n) => this.session.stillOf(n) && !smalls.kept.has(n) && !smalls.failed.has(n))) {
      smalls.want(this.ahead(from));
      await new Promise((done) => setTimeout(done, 15));
    }
  }

  /** @param {number} n */
  ahead(n) {
    const frames = [];
    for (let k = n; k < Math.min(n + AHEAD, this.session.reel.frames); k++) frames.push(k);
    return frames;
  }

  stop() {
    if (!this.running) return;
    this.running = this.plate.playing = false;
    this.onchange?.();
    this.plate.refresh();
  }
}
