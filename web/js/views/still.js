// SPDX-License-Identifier: GPL-3.0-or-later
// The still as the camera wrote it, with the film's outline where it was found. The outline can be
// dragged to where it belongs, and what was shown on one frame can be said of a run of frames.

import { getPicture, stillAddress } from '../api.js';
import { apply, clamp, count, scaleOf } from '../film.js';
import { el, fill, oncePerFrame, svg, tell } from '../dom.js';

/** @typedef {import('../film.js').Affine} Affine */

const MARGIN = 16;

/** A closed path of points. @param {[number, number][]} points */
const path = (points) => `M${points.map(([x, y]) => `${x.toFixed(2)} ${y.toFixed(2)}`).join('L')}Z`;

/** A rectangle with round corners, through a place, as a path of straight pieces.
 * @param {Affine} m @param {number} x @param {number} y @param {number} w @param {number} h @param {number} r */
function outline(m, x, y, w, h, r) {
  /** @type {[number, number][]} */
  const points = [];
  const corners = [[x + w - r, y + r, -90], [x + w - r, y + h - r, 0], [x + r, y + h - r, 90], [x + r, y + r, 180]];
  for (const [cx, cy, from] of corners)
    for (let i = 0; i <= 6; i++) {
      const t = (from + i * 15) * Math.PI / 180;
      points.push(apply(m, cx + r * Math.cos(t), cy + r * Math.sin(t)));
    }
  return path(points);
}

/** @param {import('../workspace.js').Workspace} workspace */
export function stillView(workspace) {
  const { session } = workspace;
  const canvas = el('canvas', { class: 'still-picture' });
  const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext('2d', { alpha: false }));
  const layer = /** @type {SVGSVGElement} */ (svg('svg', { class: 'still-outline', role: 'application', 'aria-label': 'Outline of the film; arrow keys move it', tabindex: 0 }));
  const node = el('div', { class: 'ground still-ground' }, canvas, layer);
  /** screen = still * k + (x, y); k 0: all of it */
  const view = { k: 0, x: 0, y: 0, close: false };
  let place = /** @type {Affine | null} */ (null);
  let changed = false, opened = false;
  let shown = { n: -1, key: '' };
  let picture = /** @type {ImageBitmap | null} */ (null);
  let pictureRect = [0, 0, 1, 1];
  let stop = new AbortController();
  const status = el('p', { class: 'status', role: 'status' });
  const saveButton = el('button', { type: 'button', class: 'primary', onclick: save }, 'Keep');
  const resetButton = el('button', { type: 'button', onclick: reset }, 'Put back');
  const clearButton = el('button', { type: 'button', onclick: clear }, 'As surveyed');
  const from = el('input', { type: 'number', class: 'figure', 'aria-label': 'From frame', min: 0 });
  const to = el('input', { type: 'number', class: 'figure', 'aria-label': 'To frame', min: 0 });
  let how = 'move';

  const hows = { move: 'Each as much as this one', hold: 'All to this place' };
  const howRow = el('div', { class: 'choices-list', role: 'radiogroup', 'aria-label': 'How' }, Object.entries(hows).map(([value, text]) => el('label', null,
    el('input', { type: 'radio', name: 'how', value, checked: value === how, onchange: () => {
      how = value;
    } }), el('span', null, text))));
  const quick = (/** @type {string} */ text, /** @type {() => [number, number]} */ range) => el('button', { type: 'button', class: 'small', onclick: () => setRange(...range()) }, text);
  const card = el('div', null,
    el('p', { class: 'quiet' }, 'The outline stands where the film was found: perforations, the camera\u2019s aperture, and in thin line what the movie shows. When it is wrong, drag it, or move it by arrow keys (a pixel; with Shift ten).'),
    status,
    el('div', { class: 'row' }, el('button', { type: 'button', class: 'small', onclick: () => look(false) }, 'Whole still'), el('button', { type: 'button', class: 'small', onclick: () => look(true) }, 'Close up')),
    el('h2', null, 'Where it holds'),
    el('div', { class: 'range-row' }, from, el('span', null, 'to'), to),
    el('div', { class: 'row' }, quick('This frame', () => [session.n, session.n]),
      quick('Scene', () => [session.scene?.first ?? session.n, session.scene?.last ?? session.n]),
      quick('Whole reel', () => [0, session.reel.frames - 1])),
    howRow,
    el('div', { class: 'row' }, saveButton, resetButton, clearButton));

  /** @param {number} a @param {number} b */
  function setRange(a, b) {
    from.value = String(a);
    to.value = String(b);
  }

  // ---- looking ----

  /** @param {boolean} close */
  function look(close) {
    const m = place ?? session.usualPlace;
    const { stillWidth, stillHeight, gauge } = session.reel;
    const width = node.clientWidth, height = node.clientHeight;
    if (!width || !stillWidth) return;
    view.close = close;
    if (close && m) {
      const p = gauge.perforations[0];
      const [cx, cy] = apply(m, p[0] + p[2] / 2, p[1] + p[3] / 2);
      view.k = Math.min(width, height) * 0.45 / (scaleOf(m) * p[3]);
      view.x = width / 2 - cx * view.k;
      view.y = height / 2 - cy * view.k;
    } else {
      view.k = Math.min((width - 2 * MARGIN) / stillWidth, (height - 2 * MARGIN) / stillHeight);
      view.x = (width - stillWidth * view.k) / 2;
      view.y = (height - stillHeight * view.k) / 2;
    }
    refresh();
  }

  const refresh = oncePerFrame(() => {
    if (!opened) return;
    draw();
    fetchPicture();
  });

  /** The part of the still that shows, at the eighths that it needs. */
  function wanted() {
    const { stillWidth, stillHeight } = session.reel;
    const density = window.devicePixelRatio || 1;
    const eighths = clamp(Math.ceil(view.k * density * 8 - 0.05), 1, 8);
    const k = eighths / 8;
    let rect = [0, 0, stillWidth, stillHeight];
    if (view.close) {
      const pad = 0.5;
      const w = node.clientWidth / view.k, h = node.clientHeight / view.k;
      const x = clamp(-view.x / view.k - w * pad, 0, stillWidth), y = clamp(-view.y / view.k - h * pad, 0, stillHeight);
      rect = [Math.floor(x * k / 64) * 64 / k, Math.floor(y * k / 64) * 64 / k, w * (1 + 2 * pad), h * (1 + 2 * pad)];
    }
    return { eighths, rect: [rect[0], rect[1], Math.min(rect[2], stillWidth - rect[0]), Math.min(rect[3], stillHeight - rect[1])] };
  }

  let fetching = false;
  async function fetchPicture() {
    const { n } = session;
    const still = session.stillOf(n);
    const { eighths, rect } = wanted();
    const key = `${n}/${eighths}/${rect.map(Math.round).join()}`;
    if (fetching || shown.key === key || !still) return;
    fetching = true;
    const k = eighths / 8;
    const options = { eighths, x: rect[0] * k, y: rect[1] * k, w: Math.max(rect[2] * k, 1), h: Math.max(rect[3] * k, 1) };
    const got = await getPicture(stillAddress(session.name, still, session.reel.stamp, options)).catch(() => null);
    fetching = false;
    shown = { n, key };
    if (got) {
      picture?.close();
      picture = got;
      pictureRect = [Math.round(options.x) / k, Math.round(options.y) / k, got.width / k, got.height / k];
    }
    refresh();
    node.dataset.ready = String(n);
  }

  function draw() {
    const density = window.devicePixelRatio || 1;
    const width = node.clientWidth, height = node.clientHeight;
    if (canvas.width !== Math.round(width * density) || canvas.height !== Math.round(height * density)) {
      canvas.width = Math.round(width * density);
      canvas.height = Math.round(height * density);
    }
    context.setTransform(density, 0, 0, density, 0, 0);
    context.fillStyle = getComputedStyle(node).backgroundColor;
    context.fillRect(0, 0, width, height);
    context.imageSmoothingQuality = 'high';
    context.imageSmoothingEnabled = view.k * density < 3;
    if (picture && shown.n === session.n)
      context.drawImage(picture, pictureRect[0] * view.k + view.x, pictureRect[1] * view.k + view.y, pictureRect[2] * view.k, pictureRect[3] * view.k);
    drawOutline(width, height);
    say();
  }

  /** @param {number} width @param {number} height */
  function drawOutline(width, height) {
    layer.setAttribute('viewBox', `0 0 ${width} ${height}`);
    const found = session.placeOf(session.n);
    fill(layer);
    if (!place) return;
    const { gauge } = session.reel;
    const toScreen = (/** @type {Affine} */ m) => /** @type {Affine} */ ([m[0] * view.k, m[1] * view.k, (m[2] + 0.5) * view.k + view.x, m[3] * view.k, m[4] * view.k, (m[5] + 0.5) * view.k + view.y]);
    const shapes = (/** @type {Affine} */ m, /** @type {string} */ kind) => {
      const s = toScreen(m);
      const [ax, ay, aw, ah] = gauge.aperture, [sx, sy, sw, sh] = gauge.shown;
      return svg('g', { class: `film ${kind}` },
        gauge.perforations.map(([x, y, w, h, r]) => svg('path', { class: 'perforation', d: outline(s, x, y, w, h, r) })),
        svg('path', { class: 'aperture', d: outline(s, ax, ay, aw, ah, 0.1) }),
        svg('path', { class: 'shown', d: outline(s, sx, sy, sw, sh, 0.001) }));
    };
    if (changed && found) layer.append(shapes(found, 'before'));
    layer.append(shapes(place, changed ? 'moved' : 'now'));
  }

  function say() {
    const found = session.placeOf(session.n);
    const method = session.methodOf(session.n);
    const words = { perforation: 'Found by its perforation', gate: 'Found by the gate\u2019s edges', picture: 'Placed by its picture', person: 'Placed by hand', none: 'Not found', '': 'Not surveyed' };
    let text = words[/** @type {''} */ (method)] ?? method;
    const sure = session.confidenceOf(session.n);
    if (method && method !== 'person') text += `, ${Math.round(sure * 100)} % sure`;
    if (changed && place && found) {
      const dx = place[2] - found[2], dy = place[5] - found[5];
      text = `Moved by ${dx.toFixed(1)}, ${dy.toFixed(1)} px (${(Math.hypot(dx, dy) / scaleOf(place)).toFixed(3)} mm on the film)`;
    }
    if (!session.stillOf(session.n)) text = 'No still shows this frame.';
    if (status.textContent !== text) status.textContent = text;
    saveButton.disabled = resetButton.disabled = !changed;
    clearButton.disabled = method !== 'person';
  }

  // ---- moving ----

  /** @param {number} dx px of the still @param {number} dy */
  function move(dx, dy) {
    if (!place) return;
    place = /** @type {Affine} */ ([...place]);
    place[2] += dx;
    place[5] += dy;
    changed = true;
    refresh();
  }

  let held = /** @type {{x: number, y: number} | null} */ (null);
  layer.addEventListener('pointerdown', (event) => {
    layer.setPointerCapture(event.pointerId);
    held = { x: event.clientX, y: event.clientY };
  });
  layer.addEventListener('pointermove', (event) => {
    if (!held) return;
    move((event.clientX - held.x) / view.k, (event.clientY - held.y) / view.k);
    held = { x: event.clientX, y: event.clientY };
  });
  for (const name of ['pointerup', 'pointercancel']) layer.addEventListener(name, () => {
    held = null;
  });

  function reset() {
    place = session.placeOf(session.n) ?? session.usualPlace;
    changed = false;
    refresh();
  }

  function range() {
    const last = session.reel.frames - 1;
    const a = clamp(Math.round(Number(from.value)), 0, last), b = clamp(Math.round(Number(to.value)), 0, last);
    return { first: Math.min(a, b), last: Math.max(a, b) };
  }

  async function save() {
    if (!place || !changed) return;
    const { first, last } = range();
    const { n } = session;
    const text = place.map((v) => String(v)).join(' ');
    if (!await session.place({ n, first: Math.min(first, n), last: Math.max(last, n), how, place: text })) return;
    changed = false;
    tell(first === last ? `Frame ${count(n)} is placed by hand.` : `Frames ${count(first)} to ${count(last)} are placed by hand.`);
    refresh();
  }

  async function clear() {
    const { first, last } = range();
    if (await session.place({ n: session.n, first, last, how: 'clear', place: null })) reset();
  }

  // ---- start and end ----

  const watcher = new ResizeObserver(() => look(view.close));
  function frameChanged() {
    reset();
    setRange(session.n, session.n);
  }

  return {
    node, card,
    open() {
      if (opened) return;
      opened = true;
      stop = new AbortController();
      session.addEventListener('frame', frameChanged, { signal: stop.signal });
      session.addEventListener('choices', () => {
        if (!changed) reset();
      }, { signal: stop.signal });
      watcher.observe(node);
      frameChanged();
      look(false);
    },
    close() {
      opened = false;
      stop.abort();
      watcher.disconnect();
    },
    /** Arrow keys move the outline while it is looked at. @param {() => boolean} isOn @returns {import('../keys.js').Key[]} */
    keys(isOn) {
      void isOn;
      layer.addEventListener('keydown', (event) => {
        const by = event.shiftKey ? 10 : 1;
        const way = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, -by], ArrowDown: [0, by] }[event.key];
        if (!way) return;
        event.preventDefault();
        move(way[0], way[1]);
      });
      return [];
    },
  };
}
