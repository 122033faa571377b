// SPDX-License-Identifier: GPL-3.0-or-later
// Curves of measurements, drawn by uPlot.

// @ts-ignore: the library's own file, at the bench under this name
import uPlot from '../lib/uplot.js';
import { el } from './dom.js';
import { count } from './film.js';

/**
 * @param {{title: string, unit: string, from: number, values: ArrayLike<number>, n: number,
 *   height: number, onpick: (n: number) => void}} wish values[i] is of frame from + i
 * @returns {{node: HTMLElement, mark(n: number): void, close(): void}}
 */
export function curve(wish) {
  const node = el('div', { class: 'curve', role: 'img', 'aria-label': `${wish.title} from frame ${wish.from} to ${wish.from + wish.values.length - 1}` });
  let marked = wish.n;
  const xs = Array.from({ length: wish.values.length }, (_, i) => wish.from + i);
  const ys = Array.from(wish.values, (v) => (Number.isNaN(v) ? null : v));
  const axis = { stroke: '#595959', font: '11px system-ui, sans-serif', grid: { stroke: '#e2e2e2', width: 1 }, ticks: { stroke: '#cdcdcd', size: 4 } };
  const markLine = (/** @type {any} */ u) => {
    const x = Math.round(u.valToPos(marked, 'x', true));
    if (x < u.bbox.left || x > u.bbox.left + u.bbox.width) return;
    u.ctx.fillStyle = '#c9301c';
    u.ctx.fillRect(x - 1, u.bbox.top, 2, u.bbox.height);
  };
  const options = {
    width: 300, height: wish.height,
    scales: { x: { time: false } },
    legend: { show: false },
    cursor: { y: false, drag: { x: false, y: false } },
    axes: [{ ...axis, size: 26, values: (/** @type {any} */ _, /** @type {number[]} */ v) => v.map((x) => (Number.isInteger(x) ? count(x) : '')) },
      { ...axis, size: 44 }],
    series: [{}, { stroke: '#1b1b1b', width: 1.2, points: { show: wish.values.length < 60, size: 4, fill: '#1b1b1b' } }],
    hooks: { draw: [markLine] },
  };
  const plot = new uPlot(options, [xs, ys], node);
  plot.over.addEventListener('click', () => {
    if (plot.cursor.idx !== null && plot.cursor.idx !== undefined) wish.onpick(xs[plot.cursor.idx]);
  });
  const watcher = new ResizeObserver(() => {
    if (node.clientWidth > 40) plot.setSize({ width: node.clientWidth, height: wish.height });
  });
  watcher.observe(node);
  return {
    node,
    mark(n) {
      marked = n;
      plot.redraw(false);
    },
    close() {
      watcher.disconnect();
      plot.destroy();
    },
  };
}
