// SPDX-License-Identifier: GPL-3.0-or-later
// Starts the page, and goes where its address says: #/ is the shelf, #/reel/NAME/VIEW/FRAME a reel.

import { Events, get } from './api.js';
import { el, fill, tell } from './dom.js';
import { addKeys, listKeys } from './keys.js';
import { Jobs } from './jobs.js';
import { Shelf } from './views/shelf.js';
import { Workspace, VIEWS } from './workspace.js';

/**
 * @typedef {{version: string, gauges: {name: string, title: string, speeds: string[], shown: number[], onFrameLine: boolean}[],
 *   deliveries: Delivery[], measures: {name: string, title: string, unit: string, help: string}[],
 *   kinds: {name: string, title: string, help: string}[], groups: Group[],
 *   stages: {name: string, title: string, usual: boolean, slow: boolean}[]}} Tables
 * @typedef {{name: string, title: string, extension: string | null, lossless: boolean, scale: boolean,
 *   best: number, worst: number, quality: number}} Delivery
 * @typedef {{name: string, title: string, help: string, scenes: boolean, preview: boolean,
 *   usual: boolean, params: Param[]}} Group
 * @typedef {{key: string, label: string, unit: string, kind: 'number' | 'whole' | 'switch' | 'word' | 'text',
 *   min: number, max: number, initial: number, help: string, part?: string, words?: string[]}} Param
 */

class App {
  /** @param {Tables} tables @param {Events} events */
  constructor(tables, events) {
    this.tables = tables;
    this.events = events;
    this.bar = /** @type {HTMLElement} */ (document.getElementById('bar'));
    this.main = /** @type {HTMLElement} */ (document.getElementById('main'));
    this.jobs = new Jobs(events);
    /** @type {{close(): void, name?: string, route?(view: string, n: number | null): void} | null} */
    this.room = null;
    this.going = 0;
    addKeys([{ keys: ['?'], does: 'This list', group: 'Everywhere', act: listKeys }]);
    events.addEventListener('away', () => document.body.classList.add('away'));
    events.addEventListener('here', () => document.body.classList.remove('away'));
    addEventListener('hashchange', () => this.route());
    this.route();
  }

  /** @param {string} hash */
  go(hash) {
    location.hash = hash;
  }

  async route() {
    const parts = location.hash.replace(/^#\/?/, '').split('/').map(decodeURIComponent);
    const turn = ++this.going;
    if (parts[0] !== 'reel' || !parts[1]) {
      this.enter(new Shelf(this));
      return;
    }
    const view = VIEWS.some((v) => v.name === parts[2]) ? parts[2] : 'look';
    const n = /^\d+$/.test(parts[3] ?? '') ? Number(parts[3]) : null;
    if (this.room?.name === parts[1]) {
      this.room.route?.(view, n);
      return;
    }
    try {
      const workspace = await Workspace.open(this, parts[1]);
      if (turn !== this.going) workspace.close();
      else {
        this.enter(workspace);
        workspace.route(view, n);
      }
    } catch (error) {
      if (turn !== this.going) return;
      this.room?.close();
      this.room = null;
      fill(this.bar);
      fill(this.main, el('div', { class: 'sorry' }, el('h1', null, 'This reel cannot be opened'),
        el('p', null, error instanceof Error ? error.message : String(error)),
        el('p', null, el('a', { href: '#/' }, 'Back to the shelf'))));
    }
  }

  /** @param {{close(): void, name?: string, bar: Node[], node: Node}} room */
  enter(room) {
    this.room?.close();
    this.room = room;
    fill(this.bar, ...room.bar);
    fill(this.main, room.node);
    if ('opened' in room && typeof room.opened === 'function') room.opened();
  }
}

async function start() {
  try {
    const tables = await get('api/tables');
    Object.assign(window, { bench: new App(tables, new Events()) }); // tests look in
  } catch (error) {
    tell(error instanceof Error ? error.message : String(error), 'fault');
  }
}

export { App };
start();
