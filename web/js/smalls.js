// SPDX-License-Identifier: GPL-3.0-or-later
// The survey's small pictures, decoded and kept for a while: full for showing and playing, or shrunk
// for the reel map.

import { getPicture, smallAddress } from './api.js';

/** @typedef {import('./session.js').Session} Session */

/** The middle of a still, which is the film's picture whatever the framing. @param {ImageBitmap} picture
 * @param {number} height */
async function columnOf(picture, height) {
  const { width: w, height: h } = picture;
  const column = await createImageBitmap(picture, Math.round(w * 0.25), Math.round(h * 0.12), Math.round(w * 0.6), Math.round(h * 0.76),
    { resizeWidth: 1, resizeHeight: height, resizeQuality: 'high' });
  picture.close();
  return column;
}

export class Smalls {
  /**
   * @param {Session} session
   * @param {{keep: number, parallel: number, width?: number, column?: number}} options keep: so many
   *   pictures; width: shrink to it; column: squeeze the film's picture into one upright column of so
   *   many pixels
   */
  constructor(session, options) {
    this.session = session;
    this.options = options;
    /** frame -> picture, the one used last at the end @type {Map<number, ImageBitmap>} */
    this.kept = new Map();
    /** @type {Set<number>} */
    this.loading = new Set();
    /** @type {Set<number>} */
    this.failed = new Set();
    /** @type {number[]} */
    this.wanted = [];
    this.onload = /** @type {((n: number) => void) | null} */ (null);
    this.stamp = session.reel.stamp;
  }

  /** The picture if it is here; it is not asked for. @param {number} n */
  peek(n) {
    const picture = this.kept.get(n);
    if (picture) {
      this.kept.delete(n);
      this.kept.set(n, picture);
    }
    return picture ?? null;
  }

  /** Frames that are wanted now, the most urgent first; what was wanted before and is not on its way
   * is forgotten. @param {number[]} frames */
  want(frames) {
    this.wanted = frames.filter((n) => !this.kept.has(n) && !this.loading.has(n) && !this.failed.has(n)
      && this.session.stillOf(n));
    this.pump();
  }

  pump() {
    while (this.loading.size < this.options.parallel && this.wanted.length)
      this.load(/** @type {number} */ (this.wanted.shift()));
  }

  /** @param {number} n */
  async load(n) {
    this.loading.add(n);
    const address = smallAddress(this.session.name, this.session.stillOf(n), this.stamp);
    try {
      let picture = await getPicture(address);
      if (this.options.column) picture = await columnOf(picture, this.options.column);
      if (this.options.width && picture.width > this.options.width) {
        const shrunk = await createImageBitmap(picture, { resizeWidth: this.options.width, resizeQuality: 'medium' });
        picture.close();
        picture = shrunk;
      }
      this.keep(n, picture);
    } catch {
      this.failed.add(n); // no picture can be made of it; the frame's card says why
    }
    this.loading.delete(n);
    this.onload?.(n);
    this.pump();
  }

  /** @param {number} n @param {ImageBitmap} picture */
  keep(n, picture) {
    this.kept.set(n, picture);
    for (const [old, other] of this.kept) {
      if (this.kept.size <= this.options.keep) break;
      this.kept.delete(old);
      other.close();
    }
  }

  clear() {
    for (const picture of this.kept.values()) picture.close();
    this.kept.clear();
    this.failed.clear();
    this.wanted = [];
    this.stamp = this.session.reel.stamp;
  }
}
