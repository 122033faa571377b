// SPDX-License-Identifier: GPL-3.0-or-later
// The room of one reel: picture, reel map and a card beside, which the views fill in turn.

import { clamp, count } from './film.js';
import { el, fill, ask } from './dom.js';
import { addKeys, listKeys } from './keys.js';
import { jobChip } from './jobs.js';
import { ReelMap } from './map.js';
import { Plate } from './plate.js';
import { Player } from './player.js';
import { Session } from './session.js';
import { Smalls } from './smalls.js';
import { lookView } from './views/look.js';
import { compareView } from './views/compare.js';
import { adjustView } from './views/adjust.js';
import { findingsView } from './views/findings.js';
import { finishView } from './views/finish.js';

/**
 * @typedef {{card: Node, stage?: Node, keys?: import('./keys.js').Key[], close?(): void, opened?(): void}} View
 */

export const VIEWS = [
  { name: 'look', title: 'Look', make: lookView },
  { name: 'compare', title: 'Compare', make: compareView },
  { name: 'adjust', title: 'Adjust', make: adjustView },
  { name: 'findings', title: 'Findings', make: findingsView },
  { name: 'finish', title: 'Finish', make: finishView },
];

const GROUNDS = ['light', 'middle', 'dark'];

export class Workspace {
  /** @param {import('./main.js').App} app @param {string} name */
  static async open(app, name) {
    return new Workspace(app, await Session.open(name));
  }

  /** @param {import('./main.js').App} app @param {Session} session */
  constructor(app, session) {
    this.app = app;
    this.session = session;
    this.name = session.name;
    this.stop = new AbortController();
    this.smalls = new Smalls(session, { keep: 150, parallel: 4 });
    this.plate = new Plate(session, this.smalls, app.tables.stages.filter((s) => s.usual && s.slow).map((s) => s.name));
    this.smalls.onload = () => this.plate.draw();
    this.player = new Player(session, this.plate);
    this.map = new ReelMap(session, app.tables.measures, Object.fromEntries(app.tables.kinds.map((k) => [k.name, k.title])));
    this.map.onfollow = () => this.player.running;
    this.view = /** @type {View | null} */ (null);
    this.viewName = '';
    this.dropViewKeys = () => {};
    this.card = el('aside', { class: 'card', 'aria-label': 'Beside the picture' });
    this.stage = el('div', { class: 'stage' });
    this.node = el('div', { class: 'workspace' }, this.stage, this.card, this.makeMap());
    this.bar = this.makeBar();
    this.dropKeys = addKeys(this.keys());
    this.listen();
    this.setGround(localStorage.getItem('ground') ?? 'light');
  }

  listen() {
    const { session, app, smalls } = this;
    const signal = this.stop.signal;
    const on = (/** @type {EventTarget} */ target, /** @type {string} */ name, /** @type {(e: any) => void} */ f) =>
      target.addEventListener(name, f, { signal });
    const mine = (/** @type {(detail: any) => void} */ f) => (/** @type {CustomEvent} */ event) => {
      if (event.detail.reel === this.name) f(event.detail);
    };
    const quietly = (/** @type {Promise<any>} */ promise) => promise.catch(() => {});
    on(app.events, 'choices', mine((d) => d.revision > session.revision && quietly(session.readChoices())));
    on(app.events, 'findings', mine(() => quietly(session.readFindings())));
    on(app.events, 'worked', mine((d) => ['intake', 'survey'].includes(d.kind) && quietly(session.readAll())));
    on(app.events, 'reel', mine(() => quietly(session.readChoices()))); // another program may have chosen
    on(app.events, 'resync', () => quietly(Promise.all([session.readChoices(), session.readFindings()])));
    on(session, 'frame', () => this.noteAddress());
    on(session, 'choices', () => this.sayUndo());
    on(session, 'reel', () => {
      smalls.clear();
      if (this.title) fill(this.title, this.titleText());
    });
    on(this.map.canvas, 'finding', (event) => this.openFinding(event.detail));
    this.player.onchange = () => this.sayPlaying();
  }

  close() {
    this.player.stop();
    this.view?.close?.();
    this.dropViewKeys();
    this.dropKeys();
    this.stop.abort();
    this.map.close();
    this.plate.close();
    this.smalls.clear();
    this.session.closed = true;
  }

  // ---- the bar ----

  titleText() {
    return this.session.reel.title || this.name;
  }

  makeBar() {
    this.title = el('h1', { class: 'reel-title' }, this.titleText());
    this.tabs = el('nav', { class: 'views', 'aria-label': 'Views' });
    this.undoButton = el('button', { type: 'button', class: 'plain', title: 'Undo (Ctrl Z)', 'aria-label': 'Undo', onclick: () => this.session.undoStep() }, 'Undo');
    this.redoButton = el('button', { type: 'button', class: 'plain', title: 'Do again (Ctrl Shift Z)', 'aria-label': 'Do again', onclick: () => this.session.redoStep() }, 'Do again');
    return [
      el('a', { class: 'to-shelf', href: '#/' }, 'Shelf'), this.title, this.tabs,
      el('div', { class: 'bar-end' }, jobChip(this.app.jobs, this.stop.signal), this.undoButton, this.redoButton,
        el('button', { type: 'button', class: 'plain', 'aria-label': 'Keys', title: 'Keys (?)', onclick: () => listKeys() }, '?')),
    ];
  }

  opened() {
    this.sayUndo();
    this.map.resize();
    this.map.showAll();
  }

  sayUndo() {
    if (!this.undoButton || !this.redoButton) return;
    this.undoButton.disabled = !this.session.undo;
    this.redoButton.disabled = !this.session.redo;
  }

  // ---- the map and what stands over it ----

  makeMap() {
    const { map } = this;
    const button = (/** @type {string} */ text, /** @type {string} */ title, /** @type {() => void} */ act) =>
      el('button', { type: 'button', class: 'small', title, onclick: act }, text);
    this.playButton = el('button', { type: 'button', class: 'play', 'aria-label': 'Play', title: 'Play (Space)', onclick: () => this.player.toggle() });
    this.sayPlaying();
    const rows = el('details', { class: 'rows-menu' }, el('summary', null, 'Measured'),
      el('div', { class: 'menu' }, map.measures.map((m) => el('label', { title: m.help },
        el('input', { type: 'checkbox', checked: map.rows.includes(m.name), onchange: (/** @type {any} */ e) => map.setRow(m.name, e.target.checked) }), m.title))));
    const side = el('div', { class: 'map-side' }, el('div', { class: 'map-now' }, this.playButton, map.counter), map.rowList);
    const head = el('div', { class: 'map-head' }, map.whole,
      el('div', { class: 'map-zoom', role: 'group', 'aria-label': 'How much of the reel shows' },
        button('Reel', 'The whole reel (0)', () => map.showAll()), button('Scene', 'This scene (9)', () => map.showScene()),
        button('Frames', 'Single frames (1)', () => map.showFrames())), rows);
    map.node.append(side, head, map.body);
    return map.node;
  }

  sayPlaying() {
    if (!this.playButton) return;
    const running = this.player?.running;
    this.playButton.setAttribute('aria-label', running ? 'Stop' : 'Play');
    this.playButton.classList.toggle('running', !!running);
  }

  // ---- views ----

  /** @param {string} view @param {number | null} n */
  route(view, n) {
    if (n !== null) this.session.go(n);
    if (view === this.viewName) return;
    this.view?.close?.();
    this.dropViewKeys();
    this.viewName = view;
    const made = /** @type {(typeof VIEWS)[number]} */ (VIEWS.find((v) => v.name === view));
    if (this.tabs) {
      fill(this.tabs, VIEWS.map((v) => el('a', {
        href: this.address(v.name), 'aria-current': v.name === view ? 'page' : false,
      }, v.title)));
    }
    const next = /** @type {View} */ (made.make(this));
    this.view = next;
    fill(this.stage, next.stage ?? this.plate.node);
    fill(this.card, next.card);
    this.card.scrollTop = 0;
    this.node.dataset.view = view;
    this.dropViewKeys = next.keys ? addKeys(next.keys) : () => {};
    document.title = `${this.titleText()} · ${made.title} · Reelwright`;
    next.opened?.();
  }

  /** @param {string} view */
  address(view) {
    return `#/reel/${encodeURIComponent(this.name)}/${view}/${this.session.n}`;
  }

  noteAddress() {
    clearTimeout(this.noting);
    this.noting = setTimeout(() => {
      if (!this.viewName || this.app.room !== this) return;
      history.replaceState(null, '', this.address(this.viewName));
      for (const [i, a] of [...this.tabs?.children ?? []].entries()) a.setAttribute('href', this.address(VIEWS[i].name));
    }, 250);
  }

  /** @param {import('./session.js').Finding} finding */
  openFinding(finding) {
    this.session.go(finding.first);
    if (this.viewName === 'findings') this.stage.dispatchEvent(new CustomEvent('pick', { detail: finding }));
  }

  /** @param {number} way */
  toFinding(way) {
    const { session } = this;
    const list = session.walk;
    const next = way > 0 ? list.find((f) => f.first > session.n) : [...list].reverse().find((f) => f.first < session.n);
    if (next) this.openFinding(next);
  }

  /** @param {number} way */
  toScene(way) {
    const { session } = this;
    const firsts = session.reel.scenes.map((s) => s.first);
    const next = way > 0 ? firsts.find((f) => f > session.n) : [...firsts].reverse().find((f) => f < session.n);
    session.go(next ?? (way > 0 ? session.reel.frames - 1 : 0));
  }

  /** @param {string} ground */
  setGround(ground) {
    this.node.dataset.ground = GROUNDS.includes(ground) ? ground : 'light';
    localStorage.setItem('ground', this.node.dataset.ground);
  }

  nextGround() {
    const now = GROUNDS.indexOf(this.node.dataset.ground ?? 'light');
    this.setGround(GROUNDS[(now + 1) % GROUNDS.length]);
  }

  async goToFrame() {
    const input = el('input', { type: 'number', min: 0, max: this.session.reel.frames - 1, value: String(this.session.n), 'aria-label': 'Frame', autofocus: true });
    input.addEventListener('keydown', (event) => {
      if (event.key === 'Enter') input.closest('dialog')?.close('go');
    });
    const asked = ask('Go to a frame', [input, el('p', { class: 'quiet' }, `0 to ${count(this.session.reel.frames - 1)}`)],
      [{ value: '', label: 'Stay' }, { value: 'go', label: 'Go', primary: true }]);
    input.select();
    if (await asked === 'go' && input.value) this.session.go(clamp(Number(input.value), 0, this.session.reel.frames - 1));
  }

  /** @returns {import('./keys.js').Key[]} */
  keys() {
    const { session, map, player } = this;
    const step = (/** @type {number} */ by) => () => {
      player.stop();
      session.go(session.n + by);
    };
    const second = () => Math.max(Math.round(session.fps), 1);
    const film = 'Along the film';
    return [
      { keys: [' '], shown: 'Space', does: 'Play or stop', group: film, act: () => player.toggle() },
      { keys: ['ArrowLeft'], does: 'A frame back', group: film, act: step(-1) },
      { keys: ['ArrowRight'], does: 'A frame on', group: film, act: step(1) },
      { keys: ['Shift+ArrowLeft'], does: 'A second back', group: film, act: () => step(-second())() },
      { keys: ['Shift+ArrowRight'], does: 'A second on', group: film, act: () => step(second())() },
      { keys: ['ArrowUp'], does: 'To the scene before', group: film, act: () => this.toScene(-1) },
      { keys: ['ArrowDown'], does: 'To the next scene', group: film, act: () => this.toScene(1) },
      { keys: ['p'], does: 'To the finding before', group: film, act: () => this.toFinding(-1) },
      { keys: ['n'], does: 'To the next finding', group: film, act: () => this.toFinding(1) },
      { keys: ['Home'], does: 'To the head of the reel', group: film, act: () => session.go(0) },
      { keys: ['End'], does: 'To its tail', group: film, act: () => session.go(session.reel.frames) },
      { keys: ['g'], does: 'Go to a frame by number', group: film, act: () => this.goToFrame() },
      { keys: ['+', '='], shown: '+', does: 'Closer', group: 'Reel map', act: () => map.zoom(1.5) },
      { keys: ['-'], does: 'Further', group: 'Reel map', act: () => map.zoom(1 / 1.5) },
      { keys: ['0'], does: 'The whole reel', group: 'Reel map', act: () => map.showAll() },
      { keys: ['9'], does: 'This scene', group: 'Reel map', act: () => map.showScene() },
      { keys: ['1'], does: 'Single frames', group: 'Reel map', act: () => map.showFrames() },
      ...VIEWS.map((v, i) => ({ keys: ['lcafm'[i]], does: v.title, group: 'Views', act: () => this.app.go(this.address(v.name)) })),
      { keys: ['Escape'], shown: 'Esc', does: 'Back to the shelf', group: 'Views', act: () => this.app.go('#/') },
      { keys: ['Ctrl+z'], does: 'Undo', group: 'Everywhere', act: () => session.undoStep() },
      { keys: ['Ctrl+Shift+z', 'Ctrl+y'], does: 'Do again', group: 'Everywhere', act: () => session.redoStep() },
      { keys: ['s'], does: 'Ground behind the picture: light, middle, dark', group: 'Everywhere', act: () => this.nextGround() },
    ];
  }
}
