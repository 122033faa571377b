// SPDX-License-Identifier: GPL-3.0-or-later
// Elements from plain calls. Text is only ever set as text, so no name or note can become markup.

/**
 * @typedef {string | number | Node | null | undefined | false} Child
 * @typedef {Record<string, any>} Props
 */

/**
 * el('button', {class: 'quiet', onclick: save, disabled: true}, 'Keep')
 * Names that begin with "on" are listeners; true sets an empty attribute; false and null none.
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} tag
 * @param {Props | null} [props]
 * @param {...(Child | Child[])} children
 * @returns {HTMLElementTagNameMap[T]}
 */
export function el(tag, props, ...children) {
  const node = document.createElement(tag);
  setProps(node, props);
  add(node, children);
  return node;
}

/**
 * The same for SVG.
 * @param {string} tag
 * @param {Props | null} [props]
 * @param {...(Child | Child[])} children
 * @returns {SVGElement}
 */
export function svg(tag, props, ...children) {
  const node = document.createElementNS('http://www.w3.org/2000/svg', tag);
  setProps(node, props);
  add(node, children);
  return node;
}

/** @param {Element} node @param {Props | null} [props] */
function setProps(node, props) {
  for (const [name, value] of Object.entries(props ?? {})) {
    if (name.startsWith('on')) node.addEventListener(name.slice(2), value);
    else if (name === 'value' || name === 'checked' || name === 'indeterminate') /** @type {any} */ (node)[name] = value;
    else if (value === true) node.setAttribute(name, '');
    else if (value !== false && value !== null && value !== undefined) node.setAttribute(name, String(value));
  }
}

/** @param {Node} node @param {(Child | Child[])[]} children */
function add(node, children) {
  for (const child of children.flat()) {
    if (child === null || child === undefined || child === false) continue;
    node.appendChild(child instanceof Node ? child : document.createTextNode(String(child)));
  }
}

/** @param {Element} node @param {...(Child | Child[])} children */
export function fill(node, ...children) {
  node.replaceChildren();
  add(node, children);
}

/** What a pointer is pressed on, and what waits until it is let go. */
let pressed = /** @type {Node | null} */ (null);
const held = /** @type {Map<Element, (Child | Child[])[]>} */ (new Map());
const letGo = () => setTimeout(() => { // after the click that it makes
  pressed = null;
  for (const [node, children] of held) refill(node, ...children);
  held.clear();
});
document.addEventListener('pointerdown', (event) => {
  pressed = /** @type {Node} */ (event.target);
}, true);
document.addEventListener('pointerup', letGo, true);
document.addEventListener('pointercancel', letGo, true);

const USED = 'button, a, input, select, textarea';

/**
 * fill() for what comes anew while a person may be using it: nothing is taken from under a pressed
 * hand, and the focus stays on the same control.
 * @param {Element} node @param {...(Child | Child[])} children
 */
export function refill(node, ...children) {
  if (pressed && node.contains(pressed)) {
    held.set(node, children);
    return;
  }
  held.delete(node);
  const at = node.contains(document.activeElement) ? [...node.querySelectorAll(USED)].indexOf(/** @type {Element} */ (document.activeElement)) : -1;
  const was = at >= 0 ? /** @type {Element} */ (document.activeElement).tagName : '';
  fill(node, ...children);
  const now = /** @type {HTMLElement | undefined} */ (at >= 0 ? node.querySelectorAll(USED)[at] : undefined);
  if (now?.tagName === was) now.focus({ preventScroll: true });
}

/**
 * A short line to a person, read out and shown for some seconds.
 * @param {string} text
 * @param {'plain' | 'fault'} [kind]
 */
export function tell(text, kind = 'plain') {
  const place = /** @type {HTMLElement} */ (document.getElementById('told'));
  const line = el('div', { class: `told ${kind}` }, text);
  place.append(line);
  while (place.childElementCount > 3) place.firstElementChild?.remove();
  setTimeout(() => line.remove(), kind === 'fault' ? 9000 : 4500);
}

/**
 * A dialog that closes on Escape and on its own button; resolves with the value it was closed with,
 * '' when it was given up.
 * @param {string} title
 * @param {Child[]} content
 * @param {{value: string, label: string, primary?: boolean}[]} buttons
 * @param {{wide?: boolean}} [options]
 * @returns {Promise<string>}
 */
export function ask(title, content, buttons, options = {}) {
  return new Promise((resolve) => {
    const heading = el('h2', { id: 'dialog-title' }, title);
    const row = el('div', { class: 'dialog-buttons' });
    const dialog = el('dialog', { 'aria-labelledby': 'dialog-title', class: options.wide ? 'wide' : '' },
      heading, el('div', { class: 'dialog-body' }, ...content), row);
    for (const b of buttons) {
      row.append(el('button', {
        type: 'button', class: b.primary ? 'primary' : '', 'data-value': b.value,
        onclick: () => dialog.close(b.value),
      }, b.label));
    }
    dialog.addEventListener('close', () => {
      dialog.remove();
      resolve(dialog.returnValue);
    });
    dialog.addEventListener('click', (event) => {
      if (event.target === dialog) dialog.close('');
    });
    document.body.append(dialog);
    dialog.showModal();
  });
}

/** Runs f at most once a frame with the last arguments. @template {any[]} A @param {(...args: A) => void} f */
export function oncePerFrame(f) {
  /** @type {A | null} */
  let waiting = null;
  return (/** @type {A} */ ...args) => {
    if (!waiting) requestAnimationFrame(() => {
      const last = /** @type {A} */ (waiting);
      waiting = null;
      f(...last);
    });
    waiting = args;
  };
}

/** @returns {boolean} */
export function prefersStillness() {
  return matchMedia('(prefers-reduced-motion: reduce)').matches;
}
