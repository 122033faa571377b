// SPDX-License-Identifier: GPL-3.0-or-later
// How the tones and colours of the frame in sight are spread: by tone, across the picture, by colour.

import { get, statisticsAddress } from '../api.js';
import { el } from '../dom.js';

/** @typedef {{pixels: number, tones: number[][], columns: number[], chroma: number[], mean: number[],
 *   atBlack: number[], atWhite: number[], quantile: number[]}} Statistics */

const TONES = 64, COLUMNS = 96, CELLS = 48;

/** @param {number} width @param {number} height @param {string} label */
function canvas(width, height, label) {
  const node = el('canvas', { class: 'scope', width, height, role: 'img', 'aria-label': label });
  return { node, context: /** @type {CanvasRenderingContext2D} */ (node.getContext('2d', { alpha: false })) };
}

/** Counts as greys on black; few show, too. @param {CanvasRenderingContext2D} context @param {number} width
 * @param {number} height @param {(x: number, y: number) => number} at */
function paint(context, width, height, at) {
  const image = context.createImageData(width, height);
  let most = 1;
  for (let y = 0; y < height; y++) for (let x = 0; x < width; x++) most = Math.max(most, at(x, y));
  for (let y = 0; y < height; y++)
    for (let x = 0; x < width; x++) {
      const v = at(x, y), k = 4 * (y * width + x);
      const grey = v ? 60 + 195 * Math.log1p(v) / Math.log1p(most) : 24;
      image.data.set([grey, grey, grey, 255], k);
    }
  context.putImageData(image, 0, 0);
}

/** @param {CanvasRenderingContext2D} context @param {Statistics} s */
function drawTones(context, s) {
  const { width, height } = context.canvas;
  context.fillStyle = '#181818';
  context.fillRect(0, 0, width, height);
  const most = Math.max(1, ...s.tones.flatMap((list) => list.slice(1, -1)));
  context.globalCompositeOperation = 'lighter';
  s.tones.slice(0, 3).forEach((list, c) => {
    context.fillStyle = ['#a03030', '#2f9a3d', '#3650c8'][c];
    list.forEach((v, i) => {
      const h = Math.min(1, v / most) * (height - 4);
      context.fillRect(i * width / TONES, height - h, width / TONES, h);
    });
  });
  context.globalCompositeOperation = 'source-over';
}

/** @param {CanvasRenderingContext2D} context @param {Statistics} s */
function drawChroma(context, s) {
  paint(context, CELLS, CELLS, (x, y) => s.chroma[y * CELLS + x]);
  context.fillStyle = '#808080';
  context.fillRect(CELLS / 2 - 1, CELLS / 2 - 3, 1, 6);
  context.fillRect(CELLS / 2 - 4, CELLS / 2 - 1, 6, 1);
}

/** @param {number} share */
const percent = (share) => `${(100 * share).toFixed(share > 0 && share < 0.001 ? 2 : 1)} %`;

/** @param {import('../workspace.js').Workspace} workspace */
export function scopes(workspace) {
  const { session, plate } = workspace;
  const stop = new AbortController();
  const tones = canvas(256, 96, 'Pixels by tone'), across = canvas(COLUMNS, TONES, 'Tones across the picture'), chroma = canvas(CELLS, CELLS, 'Pixels by colour');
  const figures = el('p', { class: 'help figures' });
  const node = el('details', { class: 'group scopes', open: localStorage.getItem('open.scopes') === 'yes', ontoggle: () => {
    localStorage.setItem('open.scopes', node.open ? 'yes' : 'no');
    measure();
  } }, el('summary', null, el('span', null, 'Measured')),
  el('div', { class: 'scope-row' }, tones.node, across.node, chroma.node), figures);
  let asked = 0;
  async function measure() {
    if (!node.open || stop.signal.aborted) return;
    const mine = ++asked, set = [...session.trying].map(([key, value]) => `${key}=${value}`).join(',');
    const { width, height } = plate.canvas;
    try {
      /** @type {Statistics} */
      const s = await get(statisticsAddress(session.name, session.n, { w: width, h: height, ...(set ? { set } : {}) }));
      if (mine !== asked || stop.signal.aborted) return;
      drawTones(tones.context, s);
      paint(across.context, COLUMNS, TONES, (x, y) => s.columns[x * TONES + TONES - 1 - y]);
      drawChroma(chroma.context, s);
      figures.textContent = `Mean ${percent(s.mean[3])} · 2–98 % of tones ${percent(s.quantile[0])} to ${percent(s.quantile[2])} · at white ${s.atWhite.map(percent).join(', ')} · at black ${s.atBlack.map(percent).join(', ')} (red, green, blue)`;
    } catch (error) {
      figures.textContent = error instanceof Error ? error.message : '';
    }
  }
  plate.node.addEventListener('finished', measure, { signal: stop.signal });
  measure();
  return { node, close: () => stop.abort() };
}
