// SPDX-License-Identifier: GPL-3.0-or-later
// The field of view by hand: drag the picture to move it in the frame, drag a corner to take in more
// of the film or less. The sliders do the same by keyboard.

import { clamp, filmToFrame } from '../film.js';
import { oncePerFrame } from '../dom.js';

const CORNER = 36; // px of the page within which a corner is taken
const SLACK = 3; // px that a hand may shake in a mere click

/** @typedef {{'crop.x': string, 'crop.y': string, 'crop.scale': string}} Crop */

/**
 * @param {import('../workspace.js').Workspace} workspace
 * @param {import('../main.js').Group} group of the choices crop.*
 * @param {(values: Crop) => Promise<unknown>} keep
 * @param {AbortSignal} signal
 */
export function cropByHand(workspace, group, keep, signal) {
  const { session, plate, player } = workspace;
  const { canvas } = plate;
  /** @type {{x: number, y: number, corner: boolean, framing: ReturnType<typeof session.framing>, moved: boolean} | null} */
  let hand = null;

  /** @param {PointerEvent} event */
  const cornerAt = (event) => {
    const left = event.offsetX < CORNER, right = event.offsetX > canvas.clientWidth - CORNER;
    const top = event.offsetY < CORNER, bottom = event.offsetY > canvas.clientHeight - CORNER;
    return (left || right) && (top || bottom) ? (left === top ? 'nwse-resize' : 'nesw-resize') : '';
  };

  /** @param {string} key @param {number} value */
  function within(key, value) {
    const p = group.params.find((q) => q.key === key);
    return String(Number(clamp(value, p?.min ?? -Infinity, p?.max ?? Infinity).toPrecision(5)));
  }

  /** What the hand has made of the crop it took hold of. @param {PointerEvent} event @returns {Crop} */
  function crop(event) {
    const { framing: f, corner, x, y } = /** @type {NonNullable<typeof hand>} */ (hand);
    if (corner) {
      const cx = canvas.clientWidth / 2, cy = canvas.clientHeight / 2;
      const far = Math.hypot(event.offsetX - cx, event.offsetY - cy), was = Math.hypot(x - cx, y - cy);
      return { 'crop.x': String(f.x), 'crop.y': String(f.y), 'crop.scale': within('crop.scale', f.scale * was / Math.max(far, 1)) };
    }
    const perMm = Math.abs(filmToFrame(session.reel.gauge, f, canvas.clientWidth, canvas.clientHeight)[0]);
    return { 'crop.x': within('crop.x', f.x - (event.offsetX - x) / perMm), 'crop.y': within('crop.y', f.y - (event.offsetY - y) / perMm), 'crop.scale': String(f.scale) };
  }

  const show = oncePerFrame((/** @type {Crop} */ values) => {
    if (hand) for (const [key, value] of Object.entries(values)) session.try(key, value);
  });

  const letGo = () => {
    if (!hand) return;
    hand = null;
    plate.letGo();
    for (const key of ['crop.x', 'crop.y', 'crop.scale']) session.try(key, null);
  };

  canvas.addEventListener('pointerdown', (event) => {
    if (event.button || player.running || !session.surveyed || !session.stillOf(session.n)) return;
    canvas.setPointerCapture(event.pointerId);
    hand = { x: event.offsetX, y: event.offsetY, corner: !!cornerAt(event), framing: session.framing(session.n), moved: false };
  }, { signal });
  canvas.addEventListener('pointermove', (event) => {
    if (!hand) {
      canvas.style.cursor = session.surveyed ? cornerAt(event) || 'grab' : '';
      return;
    }
    if (!hand.moved && Math.hypot(event.offsetX - hand.x, event.offsetY - hand.y) < SLACK) return;
    if (!hand.moved) plate.hold();
    hand.moved = true;
    canvas.style.cursor = hand.corner ? canvas.style.cursor : 'grabbing';
    show(crop(event));
  }, { signal });
  canvas.addEventListener('pointerup', async (event) => {
    const { moved } = hand ?? { moved: false };
    if (moved) {
      const values = crop(event);
      show(values);
      await keep(values);
    }
    letGo();
  }, { signal });
  canvas.addEventListener('pointercancel', letGo, { signal });
  signal.addEventListener('abort', () => {
    letGo();
    canvas.style.cursor = '';
  });
}
