// SPDX-License-Identifier: GPL-3.0-or-later
// Arithmetic of film, places and pictures. Points are in the units of docs/units.md: pixel centres
// at whole numbers, film in millimetres.

/** @typedef {[number, number, number, number, number, number]} Affine  a b c d e f: x' = ax+by+c, y' = dx+ey+f */

/** @param {Affine} m @param {number} x @param {number} y @returns {[number, number]} */
export const apply = (m, x, y) => [m[0] * x + m[1] * y + m[2], m[3] * x + m[4] * y + m[5]];

/** first, then second. @param {Affine} p @param {Affine} q @returns {Affine} */
export const then = (p, q) => [
  q[0] * p[0] + q[1] * p[3], q[0] * p[1] + q[1] * p[4], q[0] * p[2] + q[1] * p[5] + q[2],
  q[3] * p[0] + q[4] * p[3], q[3] * p[1] + q[4] * p[4], q[3] * p[2] + q[4] * p[5] + q[5],
];

/** @param {Affine} m @returns {Affine} */
export function invert(m) {
  const det = m[0] * m[4] - m[1] * m[3];
  const a = m[4] / det, b = -m[1] / det, d = -m[3] / det, e = m[0] / det;
  return [a, b, -(a * m[2] + b * m[5]), d, e, -(d * m[2] + e * m[5])];
}

/** @param {Affine} m */
export const scaleOf = (m) => Math.sqrt(Math.abs(m[0] * m[4] - m[1] * m[3]));

/** "18" or "50/3" -> number. @param {string} text */
export function rate(text) {
  const [num, den] = text.split('/').map(Number);
  return den ? num / den : num;
}

/**
 * Film mm -> pixels of a picture of this size, as finish composes it.
 * @param {{shown: number[]}} gauge
 * @param {{wayUp: number, mirror: boolean, x: number, y: number, scale: number}} framing
 * @param {number} width @param {number} height
 * @returns {Affine}
 */
export function filmToFrame(gauge, framing, width, height) {
  const [x, y, w, h] = gauge.shown;
  const rw = w * framing.scale, rh = h * framing.scale;
  const cx = x + w / 2 + (framing.mirror ? -framing.x : framing.x);
  const cy = y + h / 2 + (framing.wayUp < 0 ? -framing.y : framing.y);
  const across = width / rw, along = height / rh;
  const k = Math.abs(across / along - 1) <= 0.02 ? Math.max(across, along) : Math.min(across, along);
  const kx = framing.mirror ? -k : k, ky = framing.wayUp < 0 ? -k : k;
  return [kx, 0, (width - 1) / 2 - kx * cx, 0, ky, (height - 1) / 2 - ky * cy];
}

/** 3723.4 -> "1:02:03.4". @param {number} seconds @param {number} [digits] */
export function clock(seconds, digits = 0) {
  const unit = 10 ** digits;
  const whole = Math.round(seconds * unit);
  const s = Math.floor(whole / unit);
  const tail = digits ? `.${String(whole % unit).padStart(digits, '0')}` : '';
  const two = (/** @type {number} */ v) => String(v).padStart(2, '0');
  const hours = Math.floor(s / 3600), minutes = Math.floor(s / 60) % 60;
  return (hours ? `${hours}:${two(minutes)}` : `${minutes}`) + `:${two(s % 60)}${tail}`;
}

/** 1204 -> "1 204", with a narrow blank. @param {number} n */
export const count = (n) => String(Math.round(n)).replace(/\B(?=(\d{3})+(?!\d))/g, '\u202f');

/** @param {number} n */
export function bytes(n) {
  const units = ['B', 'kB', 'MB', 'GB', 'TB'];
  let u = 0;
  while (n >= 999.5 && u < units.length - 1) {
    n /= 1000;
    u++;
  }
  return `${n >= 99.5 || u === 0 ? Math.round(n) : n.toPrecision(2)}\u00a0${units[u]}`;
}

/** Millimetres of film as people say it. @param {number} mm */
export function feet(mm) {
  const ft = mm / 304.8;
  return ft >= 20 ? `${Math.round(ft)}\u00a0ft` : `${ft.toFixed(1)}\u00a0ft`;
}

/** @param {number} value @param {number} least @param {number} most */
export const clamp = (value, least, most) => Math.min(Math.max(value, least), most);

/** "2026-03-14T09:30:03.344" -> "14 March 2026". @param {string | null} iso */
export function day(iso) {
  if (!iso) return '';
  const months = ['January', 'February', 'March', 'April', 'May', 'June', 'July', 'August',
    'September', 'October', 'November', 'December'];
  const [y, m, d] = iso.slice(0, 10).split('-').map(Number);
  return `${d} ${months[m - 1]} ${y}`;
}

/** @param {number} n @param {string} one @param {string} many */
export const plural = (n, one, many) => `${count(n)} ${n === 1 ? one : many}`;
