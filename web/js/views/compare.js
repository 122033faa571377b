// SPDX-License-Identifier: GPL-3.0-or-later
// Compare: the same frame as it was taken, as registered and as finished; and the still itself with
// what the survey found on it, to be put right by hand.

import { finishedAddress, getPicture } from '../api.js';
import { clamp } from '../film.js';
import { el, fill, oncePerFrame, prefersStillness } from '../dom.js';
import { stillView } from './still.js';

const STATES = { taken: 'As taken', registered: 'Registered', finished: 'Finished' };
const MODES = { wipe: 'Wipe', blink: 'Blink', side: 'Side by side', still: 'On the still' };
const SIZES = { hd: [1440, 1080], uhd: [2880, 2160] };
const BLINK = 650; // ms

/** @typedef {keyof typeof STATES} State @typedef {keyof typeof MODES} Mode */

/** A row of words, one of which is chosen.
 * @param {string} label @param {Record<string, string>} options @param {() => string} now @param {(v: string) => void} pick */
function wordRow(label, options, now, pick) {
  const name = `w-${label.replace(/\W/g, '')}`;
  const inputs = Object.entries(options).map(([value, text]) => {
    const input = el('input', { type: 'radio', name, value, onchange: () => pick(value) });
    return { input, node: el('label', null, input, el('span', null, text)) };
  });
  const update = () => inputs.forEach(({ input }) => {
    input.checked = input.value === now();
  });
  update();
  return { node: el('div', { class: 'control' }, el('span', { class: 'label' }, label), el('span', { class: 'words', role: 'radiogroup', 'aria-label': label }, inputs.map((i) => i.node))), update };
}

/** @param {import('../workspace.js').Workspace} workspace @returns {import('../workspace.js').View} */
export function compareView(workspace) {
  const { session, app } = workspace;
  const stop = new AbortController();
  const canvas = el('canvas', { class: 'compare', tabindex: 0, role: 'img', 'aria-label': `Frame ${session.n}, two states` });
  const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext('2d', { alpha: false }));
  const line = el('p', { class: 'plate-line', role: 'status', hidden: true });
  const ground = el('div', { class: 'ground' }, canvas, line);
  const say = (/** @type {string} */ text) => {
    line.textContent = text;
    line.hidden = !text;
  };
  const stage = el('div', { class: 'compare-stage' }, ground);
  const state = {
    a: /** @type {State} */ ('taken'), b: /** @type {State} */ ('finished'), mode: /** @type {Mode} */ ('wipe'),
    size: /** @type {keyof typeof SIZES} */ ('hd'), zoom: 0, x: 0.5, y: 0.5, wipe: 0.5, turn: false,
  };
  /** @type {Record<string, {n: number, revision: number, size: string, picture: ImageBitmap}>} */
  const pictures = {};
  let blinking = 0, loading = false, again = false;
  const still = stillView(workspace);

  // ---- pictures ----

  /** @param {State} which */
  function address(which) {
    const [w, h] = SIZES[state.size];
    const names = app.tables.stages.map((s) => s.name);
    /** @type {Record<string, string>} */
    const part = which === 'taken' ? { skip: names.join(',') } : which === 'registered' ? { only: 'register' } : {};
    return finishedAddress(session.name, session.n, { w, h, r: session.revision, ...part });
  }

  async function load() {
    if (loading) {
      again = true;
      return;
    }
    loading = true;
    again = false;
    const { n, revision } = session;
    let fault = '';
    for (const which of new Set([state.a, state.b])) {
      const have = pictures[which];
      if (have && have.n === n && have.revision === revision && have.size === state.size) continue;
      const size = state.size;
      const slow = setTimeout(() => say('The scene is being prepared; it is done once for these choices.'), 900);
      const picture = await getPicture(address(which)).catch((error) => {
        fault = error instanceof Error ? error.message : String(error);
      });
      clearTimeout(slow);
      if (stop.signal.aborted) return;
      if (!picture) continue;
      pictures[which]?.picture.close();
      pictures[which] = { n, revision, size, picture };
      draw();
    }
    loading = false;
    say(fault);
    draw();
    if (again && !stop.signal.aborted) load();
    stage.dataset.ready = again ? '' : `${session.n}`;
  }

  // ---- drawing ----

  const draw = oncePerFrame(() => {
    if (stop.signal.aborted || state.mode === 'still') return;
    const density = window.devicePixelRatio || 1;
    const width = canvas.width, height = canvas.height;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = getComputedStyle(ground).backgroundColor;
    context.fillRect(0, 0, width, height);
    const a = pictures[state.a]?.picture, b = pictures[state.b]?.picture;
    if (state.mode === 'side') {
      pane(a, 0, width / 2 - 3 * density);
      pane(b, width / 2 + 3 * density, width / 2 - 3 * density);
    } else if (state.mode === 'blink') {
      pane(state.turn ? b : a, 0, width);
    } else {
      pane(a, 0, width);
      const edge = Math.round(width * state.wipe);
      context.save();
      context.beginPath();
      context.rect(edge, 0, width - edge, height);
      context.clip();
      pane(b, 0, width);
      context.restore();
      context.fillStyle = '#fff';
      context.fillRect(edge - density, 0, 2 * density, height);
      context.fillStyle = '#1b1b1b';
      context.fillRect(edge - density / 2, 0, density, height);
    }
    label(density);
  });

  /** @param {number} width of the pane, device px */
  function scaleFor(width) {
    const [w, h] = SIZES[state.size];
    const room = 24 * (window.devicePixelRatio || 1);
    return state.zoom || Math.min((width - room) / w, (canvas.height - room) / h);
  }

  /** @param {ImageBitmap | undefined} picture @param {number} x @param {number} width */
  function pane(picture, x, width) {
    if (!picture) return;
    const k = scaleFor(width);
    context.save();
    context.beginPath();
    context.rect(x, 0, width, canvas.height);
    context.clip();
    context.imageSmoothingEnabled = k < 1 || k % 1 !== 0;
    context.imageSmoothingQuality = 'high';
    const w = picture.width * k, h = picture.height * k;
    context.drawImage(picture, Math.round(x + width / 2 - w * state.x), Math.round(canvas.height / 2 - h * state.y), w, h);
    context.restore();
  }

  /** @param {number} density */
  function label(density) {
    const tag = (/** @type {string} */ text, /** @type {number} */ x, /** @type {CanvasTextAlign} */ align) => {
      context.font = `${12 * density}px system-ui, sans-serif`;
      context.textAlign = align;
      context.textBaseline = 'middle';
      const wide = context.measureText(text).width + 14 * density;
      const left = align === 'left' ? x : x - wide;
      context.fillStyle = 'rgba(244,244,244,.92)';
      context.beginPath();
      context.roundRect(left, canvas.height - 30 * density, wide, 20 * density, 2 * density);
      context.fill();
      context.fillStyle = '#1b1b1b';
      context.fillText(text, align === 'left' ? x + 7 * density : x - 7 * density, canvas.height - 20 * density);
    };
    const edge = 10 * density;
    if (state.mode === 'blink') tag(STATES[state.turn ? state.b : state.a], edge, 'left');
    else {
      tag(STATES[state.a], edge, 'left');
      tag(STATES[state.b], canvas.width - edge, 'right');
    }
  }

  // ---- hands ----

  let held = /** @type {{x: number, y: number, wipe: boolean} | null} */ (null);
  canvas.addEventListener('pointerdown', (event) => {
    canvas.setPointerCapture(event.pointerId);
    const near = Math.abs(event.offsetX - canvas.clientWidth * state.wipe) < 24;
    held = { x: event.offsetX, y: event.offsetY, wipe: state.mode === 'wipe' && (near || !state.zoom) };
    if (held.wipe) moveWipe(event);
  });
  canvas.addEventListener('pointermove', (event) => {
    if (!held) {
      canvas.style.cursor = state.mode === 'wipe' && Math.abs(event.offsetX - canvas.clientWidth * state.wipe) < 24 ? 'ew-resize' : state.zoom ? 'grab' : '';
      return;
    }
    if (held.wipe) moveWipe(event);
    else if (state.zoom) {
      const [w, h] = SIZES[state.size];
      const density = window.devicePixelRatio || 1;
      state.x = clamp(state.x - (event.offsetX - held.x) * density / (w * state.zoom), 0, 1);
      state.y = clamp(state.y - (event.offsetY - held.y) * density / (h * state.zoom), 0, 1);
      held.x = event.offsetX;
      held.y = event.offsetY;
      draw();
    }
  });
  for (const name of /** @type {const} */ (['pointerup', 'pointercancel']))
    canvas.addEventListener(name, () => {
      held = null;
    });
  canvas.addEventListener('wheel', (event) => {
    event.preventDefault();
    const steps = [0, 1, 2, 4];
    const at = steps.indexOf(state.zoom);
    setZoom(steps[clamp(at + (event.deltaY < 0 ? 1 : -1), 0, steps.length - 1)]);
  }, { passive: false });

  /** @param {PointerEvent} event */
  function moveWipe(event) {
    state.wipe = clamp(event.offsetX / canvas.clientWidth, 0, 1);
    draw();
  }

  // ---- the card ----

  /** @param {number} zoom */
  function setZoom(zoom) {
    state.zoom = zoom;
    if (!zoom) state.x = state.y = 0.5;
    zoomRow.update();
    draw();
  }

  /** @param {string} mode */
  function setMode(mode) {
    state.mode = /** @type {Mode} */ (mode);
    clearInterval(blinking);
    state.turn = false;
    // blinking by itself is left to those who do not mind; Space-like turning works for all
    if (mode === 'blink' && !prefersStillness()) blinking = window.setInterval(turn, BLINK);
    fill(stage, mode === 'still' ? still.node : ground);
    fill(card, modeRow.node, mode === 'still' ? still.card : pairs);
    modeRow.update();
    if (mode === 'still') still.open();
    else {
      still.close();
      resize();
      load();
    }
    turnButton.hidden = mode !== 'blink';
  }

  function turn() {
    state.turn = !state.turn;
    draw();
  }

  function pick() {
    aRow.update();
    bRow.update();
    load();
    draw();
  }

  const modeRow = wordRow('How', MODES, () => state.mode, setMode);
  const aRow = wordRow('Left', STATES, () => state.a, (v) => {
    state.a = /** @type {State} */ (v);
    pick();
  });
  const bRow = wordRow('Right', STATES, () => state.b, (v) => {
    state.b = /** @type {State} */ (v);
    pick();
  });
  const zoomRow = wordRow('Size', { 0: 'Fit', 1: '1 : 1', 2: '2 : 1', 4: '4 : 1' }, () => String(state.zoom), (v) => setZoom(Number(v)));
  const sizeRow = wordRow('Movie', { hd: '1440 × 1080', uhd: '2880 × 2160' }, () => state.size, (v) => {
    state.size = /** @type {'hd'} */ (v);
    load();
  });
  const turnButton = el('button', { type: 'button', hidden: true, onclick: turn }, 'Turn (T)');
  const swap = () => {
    [state.a, state.b] = [state.b, state.a];
    pick();
  };
  const pairs = el('div', null, aRow.node, bRow.node, zoomRow.node, sizeRow.node,
    el('div', { class: 'row' }, el('button', { type: 'button', onclick: swap }, 'Change sides'), turnButton),
    el('p', { class: 'quiet' }, 'All are laid on the same pixels. “As taken” cuts every frame out at the reel\u2019s usual place, so the weave of the transfer shows when you step.'),
    el('p', { class: 'quiet' }, 'Drag the line to wipe. At 1 : 1 and closer, drag the picture to move about; both sides move together.'));
  const card = el('div', { class: 'compare-card' });

  // ---- size, start, end ----

  function resize() {
    const density = window.devicePixelRatio || 1;
    canvas.width = Math.max(Math.round(ground.clientWidth * density), 10);
    canvas.height = Math.max(Math.round(ground.clientHeight * density), 10);
    draw();
  }
  const watcher = new ResizeObserver(resize);
  watcher.observe(ground);
  const signal = stop.signal;
  session.addEventListener('frame', () => {
    canvas.setAttribute('aria-label', `Frame ${session.n}, two states`);
    if (state.mode !== 'still' && !workspace.player.running) load();
  }, { signal });
  session.addEventListener('choices', () => state.mode !== 'still' && load(), { signal });

  const group = 'Compare';
  return {
    card, stage,
    opened: () => setMode(state.mode),
    keys: [
      { keys: ['w'], does: 'Wipe', group, act: () => setMode('wipe') },
      { keys: ['b'], does: 'Blink', group, act: () => setMode('blink') },
      { keys: ['d'], does: 'Side by side', group, act: () => setMode('side') },
      { keys: ['r'], does: 'On the still: registration', group, act: () => setMode('still') },
      { keys: ['x'], does: 'Change sides', group, act: swap },
      { keys: ['t'], does: 'Turn from one to the other', group, act: turn },
      { keys: ['z'], does: 'Fit, 1 : 1, 2 : 1', group, act: () => setZoom(state.zoom === 0 ? 1 : state.zoom === 1 ? 2 : 0) },
      ...still.keys(() => state.mode === 'still'),
    ],
    close() {
      stop.abort();
      clearInterval(blinking);
      watcher.disconnect();
      still.close();
      for (const p of Object.values(pictures)) p.picture.close();
    },
  };
}

export { wordRow };
