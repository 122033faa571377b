// SPDX-License-Identifier: GPL-3.0-or-later
// One table of keys. What is listed on "?" is what works, since both are this table.

import { ask, el } from './dom.js';

/**
 * @typedef {{keys: string[], does: string, group: string, act: (event: KeyboardEvent) => void,
 *   shown?: string}} Key
 */

/** @type {Set<Key[]>} */
const tables = new Set();

/** Adds keys until the returned function is called. @param {Key[]} table */
export function addKeys(table) {
  tables.add(table);
  return () => tables.delete(table);
}

/** "Shift+ArrowLeft", "Ctrl+z", "?" @param {KeyboardEvent} event */
function nameOf(event) {
  const plain = event.key.length === 1;
  const shift = event.shiftKey && !(plain && event.key.toLowerCase() === event.key.toUpperCase());
  return `${event.ctrlKey || event.metaKey ? 'Ctrl+' : ''}${shift ? 'Shift+' : ''}${plain ? event.key.toLowerCase() : event.key}`;
}

/** A field keeps the keys that it needs itself. @param {EventTarget | null} target @param {string} name */
function isTaken(target, name) {
  if (!(target instanceof HTMLElement)) return false;
  if (target.closest('dialog')) return true;
  if (target instanceof HTMLTextAreaElement || target instanceof HTMLSelectElement) return true;
  if (target instanceof HTMLInputElement) {
    if (target.type === 'range') return /^(Shift\+)?(Arrow|Home|End|Page)/.test(name);
    if (target.type === 'checkbox' || target.type === 'radio') return name === ' ' || name.startsWith('Arrow');
    return true;
  }
  if (name === ' ' || name === 'Enter') return !!target.closest('button, a, summary, [role=button]');
  return false;
}

document.addEventListener('keydown', (event) => {
  const name = nameOf(event);
  if (event.altKey || event.defaultPrevented || isTaken(event.target, name)) return;
  for (const table of [...tables].reverse()) {
    const key = table.find((k) => k.keys.includes(name));
    if (!key) continue;
    event.preventDefault();
    key.act(event);
    return;
  }
});

/** @param {string} name */
const pretty = (name) => name.replace('ArrowLeft', '←').replace('ArrowRight', '→').replace('ArrowUp', '↑')
  .replace('ArrowDown', '↓').replace('Shift+', '⇧ ').replace('Ctrl+', 'Ctrl ').replace(/^ $/, 'Space')
  .replace(/^(⇧ |Ctrl )?([a-z])$/, (_, mod, c) => (mod ?? '') + c.toUpperCase());

export function listKeys() {
  /** @type {Map<string, Key[]>} */
  const groups = new Map();
  for (const table of tables)
    for (const key of table) groups.set(key.group, [...groups.get(key.group) ?? [], key]);
  const parts = [...groups].map(([group, keys]) => el('section', null, el('h3', null, group),
    el('dl', { class: 'keys' }, keys.flatMap((key) => [
      el('dt', null, (key.shown ? [key.shown] : key.keys.slice(0, 2).map(pretty)).map((k) => el('kbd', null, k))),
      el('dd', null, key.does)]))));
  return ask('Keys', [el('div', { class: 'key-columns' }, ...parts)], [{ value: '', label: 'Close', primary: true }], { wide: true });
}
