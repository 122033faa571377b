// SPDX-License-Identifier: GPL-3.0-or-later
// Adjust: every choice there is, drawn from the bench's own table of them. A control that is moved
// shows in the picture at once; let go, it is stored.

import { BenchError, get, post, reelAddress } from '../api.js';
import { ask, el, oncePerFrame, refill, tell } from '../dom.js';
import { Blemishes } from '../blemishes.js';
import { count } from '../film.js';
import { cropByHand } from './crop.js';
import { scopes } from './scopes.js';

/** @typedef {import('../main.js').Param} Param @typedef {import('../main.js').Group} Group */

/** Words of a table as a person reads them. */
const WORDS = { '-1': 'Turned', 1: 'Normal', hold: 'Hold the last', blend: 'Blend neighbours', crop: 'Closer', on: 'On', off: 'Off', auto: 'By itself', film: 'As on the film', full: 'Full range' };
/** @param {string} word */
const wordText = (word) => WORDS[/** @type {'on'} */ (word)] ?? word.replace(/-/g, ' ').replace(/^./, (c) => c.toUpperCase());

/** As many decimals as the control's range asks for. @param {Param} p */
function stepOf(p) {
  if (p.kind === 'whole') return 1;
  const span = p.max - p.min;
  return 10 ** Math.floor(Math.log10(span / 150));
}

/** @param {import('../workspace.js').Workspace} workspace @returns {import('../workspace.js').View} */
export function adjustView(workspace) {
  const { session, app } = workspace;
  const stop = new AbortController();
  /** 'reel' or 'scene' */
  let where = 'reel';
  /** @type {(() => void)[]} */
  let updates = [];
  const scopePlace = el('div');
  const groupsPlace = el('div');

  const scene = () => (where === 'scene' ? session.scene : null);
  const scope = (/** @type {Group} */ g) => {
    const s = g.scenes ? scene() : null;
    return s ? `scene:${s.id}` : 'reel';
  };

  /** @param {Param} p */
  const initial = (p) => (p.kind === 'text' ? '' : p.kind === 'word' ? /** @type {string[]} */ (p.words)[p.initial] : p.kind === 'switch' ? (p.initial ? 'on' : 'off') : String(p.initial));

  /** What holds, told as text. @param {Group} g @param {Param} p */
  function current(g, p) {
    const held = session.choice(p.key, g.scenes ? scene() : null);
    let usual = initial(p);
    if (p.key === 'way_up') usual = Number(session.reel.wayUp ?? 1) < 0 ? '-1' : '1';
    return { value: held.value ?? usual, from: held.from, usual };
  }

  /** Values on their way to the bench: what was moved on meanwhile follows, and nothing that comes back
   * moves a control under a hand. key -> the value to be sent next @type {Map<string, string | null | undefined>} */
  const sending = new Map();

  /** @param {Group} g @param {Param} p @param {string | null} value */
  async function store(g, p, value) {
    const busy = sending.has(p.key);
    sending.set(p.key, value);
    if (busy) return;
    const where = scope(g);
    for (let next = sending.get(p.key); next !== undefined; next = sending.get(p.key)) {
      sending.set(p.key, undefined);
      if (!await session.choose([[where, p.key, next]])) break;
    }
    sending.delete(p.key);
    session.try(p.key, null);
    update();
  }

  /** Several choices in one step, as far as they differ from what holds. @param {Group} g @param {Record<string, string>} values */
  async function storeAll(g, values) {
    const own = g.params.filter((p) => values[p.key] !== undefined && Number(current(g, p).value) !== Number(values[p.key]));
    if (own.length) await session.choose(own.map((p) => [scope(g), p.key, values[p.key]]));
  }

  // ---- controls ----

  /** @param {Group} g @param {Param} p */
  function number(g, p) {
    const step = stepOf(p), id = `c-${p.key}`;
    let moving = false;
    // what was let go meanwhile is not tried any more: it would stand over what holds, for ever
    const trying = oncePerFrame((/** @type {string} */ v) => moving && session.try(p.key, v));
    const range = el('input', { type: 'range', id, min: p.min, max: p.max, step, 'aria-describedby': `${id}-h` });
    const field = el('input', { type: 'number', class: 'figure', min: p.min, max: p.max, step, 'aria-label': `${p.label}, figure` });
    range.addEventListener('input', () => {
      field.value = range.value;
      moving = g.preview;
      if (moving) trying(range.value);
    });
    range.addEventListener('change', () => {
      moving = false;
      store(g, p, range.value);
    });
    let typing = false;
    field.addEventListener('input', () => {
      typing = true;
    });
    field.addEventListener('blur', () => {
      typing = false;
    });
    field.addEventListener('change', () => {
      typing = false;
      const value = Number(field.value);
      if (field.value === '' || !(value >= p.min && value <= p.max)) {
        tell(`${p.label} goes from ${p.min} to ${p.max}.`, 'fault');
        update();
      } else store(g, p, String(p.kind === 'whole' ? Math.round(value) : value));
    });
    updates.push(() => {
      if (typing || sending.has(p.key)) return;
      const value = session.trying.get(p.key) ?? current(g, p).value;
      range.value = value;
      field.value = String(Number(Number(value).toPrecision(6)));
    });
    return [el('label', { for: id }, p.label), el('span', { class: 'figure-unit' }, field, p.unit ? el('span', { class: 'unit' }, p.unit) : null), range];
  }

  /** @param {Group} g @param {Param} p */
  function words(g, p) {
    const list = p.kind === 'switch' ? ['off', 'on'] : /** @type {string[]} */ (p.words);
    const name = `c-${p.key}`;
    /** @type {HTMLInputElement[]} */
    const inputs = [];
    const row = el('span', { class: 'words', role: 'radiogroup', 'aria-label': p.label }, list.map((word) => {
      const input = el('input', { type: 'radio', name, value: word, onchange: () => store(g, p, word) });
      inputs.push(input);
      return el('label', null, input, el('span', null, wordText(word)));
    }));
    updates.push(() => {
      const { value } = current(g, p);
      for (const input of inputs) input.checked = input.value === value;
    });
    return [el('span', { class: 'label' }, p.label), row];
  }

  /** A line of text; a table shows the name of its file behind the digits that prove it.
   * @param {Group} g @param {Param} p */
  function line(g, p) {
    const id = `c-${p.key}`, isTable = p.key.endsWith('.cube');
    const field = el('input', { type: 'text', id, 'aria-describedby': `${id}-h`, readonly: isTable, placeholder: isTable ? 'None' : '', onchange: () => store(g, p, field.value.trim() || null) });
    updates.push(() => {
      const { value } = current(g, p);
      if (document.activeElement === field && !isTable) return;
      field.value = isTable ? value.slice(65) : value;
      field.title = isTable && value ? `SHA-256 ${value.slice(0, 64)}` : '';
    });
    return [el('label', { for: id }, p.label), isTable ? lookButton(g, 'Choose a file…', '.cube') : null, field];
  }

  /** @param {Group} g @param {string} text @param {string} accept */
  function lookButton(g, text, accept) {
    const input = el('input', { type: 'file', accept, hidden: true, 'aria-label': text, onchange: async () => {
      const file = input.files?.[0];
      input.value = '';
      if (file) await takeLook(file, file.name.toLowerCase().endsWith('.ccc') && scope(g) === 'reel' ? null : scope(g));
    } });
    return el('span', null, el('button', { type: 'button', class: 'small', onclick: () => input.click() }, text), input);
  }

  /** @param {File} file @param {string | null} to */
  async function takeLook(file, to) {
    try {
      const text = await file.text();
      session.takeChoices(await post(reelAddress(session.name, 'look'), to ? { scope: to, name: file.name, text } : { name: file.name, text }));
      tell(`${file.name} is taken in; one undo takes it back.`);
    } catch (error) {
      if (!(error instanceof BenchError)) throw error;
      tell(error.message, 'fault');
    }
  }

  /** Corrections in and out, below their controls. @param {Group} g */
  function corrections(g) {
    return el('div', { class: 'row looks' }, lookButton(g, 'Take in .cdl or .ccc…', '.cdl,.cc,.ccc'),
      el('a', { class: 'button small', href: reelAddress(session.name, 'look'), download: `${session.name}.ccc` }, 'Save as .ccc'));
  }

  /** @param {Group} g @param {Param} p */
  function control(g, p) {
    const parts = p.kind === 'text' ? line(g, p) : p.kind === 'word' || p.kind === 'switch' ? words(g, p) : number(g, p);
    const back = el('button', { type: 'button', class: 'back', title: 'Take the choice back', 'aria-label': `Take back ${p.label}`, onclick: () => store(g, p, null) }, '↺');
    const node = el('div', { class: `control ${p.kind}`, 'data-key': p.key }, ...parts, back,
      el('p', { class: 'help', id: `c-${p.key}-h` }, p.help));
    updates.push(() => {
      const { from } = current(g, p);
      const own = from && (from === 'scene' || scope(g) === 'reel');
      back.hidden = !own;
      node.dataset.from = from;
    });
    return node;
  }

  function speed() {
    const list = [...new Set([...session.reel.gauge.speeds, '16', '18', '24', '25'])];
    const id = 'c-fps';
    const input = el('input', { id, class: 'figure wide', list: 'speeds', 'aria-describedby': 'c-fps-h' });
    const back = el('button', { type: 'button', class: 'back', title: 'Take the choice back', 'aria-label': 'Take back film speed', onclick: () => session.choose([['reel', 'fps', null]]) }, '↺');
    input.addEventListener('change', async () => {
      if (input.value.trim() && !await session.choose([['reel', 'fps', input.value.trim()]])) update();
    });
    updates.push(() => {
      const chosen = session.choice('fps', null).value;
      if (document.activeElement !== input) input.value = chosen ?? session.reel.fps;
      back.hidden = chosen === null;
    });
    return el('div', { class: 'control', 'data-key': 'fps' }, el('label', { for: id }, 'Film speed'),
      el('span', { class: 'figure-unit' }, input, el('span', { class: 'unit' }, 'a second')), back,
      el('datalist', { id: 'speeds' }, list.map((v) => el('option', { value: v }))),
      el('p', { class: 'help', id: 'c-fps-h' }, 'Frames a second at which the film was shot: whole, with decimals or as a ratio.'));
  }

  /** Rows that have a heading of their own stand under it. @param {Group} g */
  function byPart(g) {
    /** @type {(Node | null)[]} */
    const nodes = [];
    for (const part of new Set(g.params.map((p) => p.part))) {
      const own = g.params.filter((p) => p.part === part).map((p) => control(g, p));
      if (!part) {
        nodes.push(...own);
        continue;
      }
      const few = own.length < 9, key = `open.${g.name}.${part}`;
      const node = el('details', { class: 'part', open: (localStorage.getItem(key) ?? (few ? 'yes' : 'no')) === 'yes', ontoggle: () => localStorage.setItem(key, node.open ? 'yes' : 'no') },
        el('summary', null, el('span', null, part)), own, g.params.some((p) => p.part === part && p.key.endsWith('.slope-red')) ? corrections(g) : null);
      nodes.push(node);
    }
    return nodes;
  }

  /** How this scene is steadied, and why. */
  function steadying() {
    const said = el('p', { class: 'quiet reason', 'aria-live': 'polite' });
    let asked = '';
    updates.push(async () => {
      const { scene: s, revision } = session;
      const now = s ? `${s.id} ${revision}` : '';
      if (!s || now === asked) return;
      asked = now;
      try {
        const answer = await get(reelAddress(session.name, `steady/${s.id}`));
        if (asked === now) said.textContent = `Scene ${session.reel.scenes.indexOf(s) + 1}: ${answer.reason}`;
      } catch {
        asked = '';
      }
    });
    return said;
  }

  const blemishes = new Blemishes(workspace.plate);

  /** A look at what clean-up did, over the picture. */
  function repairs() {
    const box = el('input', { type: 'checkbox', checked: blemishes.on, onchange: () => blemishes.show(box.checked) });
    return el('label', { class: 'repairs' }, box, 'Show what was repaired', el('span', { class: 'quiet' }, 'Click a box to leave that place alone, or to repair it.'), blemishes.said);
  }

  /** @param {Group} g */
  function group(g) {
    const open = localStorage.getItem(`open.${g.name}`) ?? (g.name === 'survey' ? 'no' : 'yes');
    const node = el('details', { class: 'group', open: open === 'yes', ontoggle: () => localStorage.setItem(`open.${g.name}`, node.open ? 'yes' : 'no') },
      el('summary', null, el('span', null, g.title)), el('p', { class: 'quiet' }, g.help),
      g.name === 'film' ? speed() : null, g.name === 'steady' ? steadying() : null,
      g.name === 'blemish' ? repairs() : null,
      g.name === 'crop' ? el('p', { class: 'quiet' }, 'Or drag the picture itself; its corners take in more or less.') : null, byPart(g));
    return node;
  }

  // ---- scope ----

  function showScope() {
    const { scene: now } = session;
    const at = now ? session.reel.scenes.indexOf(now) + 1 : 0;
    const option = (/** @type {string} */ value, /** @type {string} */ text, /** @type {boolean} */ off) => el('label', null,
      el('input', { type: 'radio', name: 'where', value, checked: where === value, disabled: off, onchange: () => {
        where = value;
        update();
      } }), el('span', null, text));
    refill(scopePlace, el('div', { class: 'row spread' }, el('span', { class: 'words', role: 'radiogroup', 'aria-label': 'For what' },
      option('reel', 'Whole reel', false), option('scene', at ? `Scene ${at}` : 'Scene', !at)),
    el('button', { type: 'button', class: 'small', onclick: copy, disabled: session.reel.scenes.length < 2 }, 'Copy to scenes…')),
    where === 'scene' && at ? el('p', { class: 'quiet' }, 'What is chosen here holds for this scene and goes before the reel\u2019s.') : null);
  }

  /** The choices of this scene (or what it has from the reel), to others. */
  async function copy() {
    const from = session.scene;
    if (!from) return;
    const keys = app.tables.groups.filter((g) => g.scenes).flatMap((g) => g.params.map((p) => p.key));
    const { scenes } = session.reel;
    const boxes = scenes.filter((s) => s !== from).map((s) => {
      const box = el('input', { type: 'checkbox', value: String(s.id), checked: true });
      return { s, box, node: el('label', null, box, `Scene ${scenes.indexOf(s) + 1}`, el('span', { class: 'quiet' }, ` ${count(s.first)}–${count(s.last)}`)) };
    });
    const all = el('button', { type: 'button', class: 'small', onclick: () => {
      const on = boxes.some((b) => !b.box.checked);
      for (const b of boxes) b.box.checked = on;
    } }, 'All or none');
    const said = await ask(`Copy the choices of scene ${scenes.indexOf(from) + 1}`, [el('p', { class: 'quiet' }, 'Field of view and look, as they hold here.'), all, el('div', { class: 'scene-list' }, boxes.map((b) => b.node))],
      [{ value: '', label: 'Leave it' }, { value: 'copy', label: 'Copy', primary: true }]);
    if (said !== 'copy') return;
    /** @type {[string, string, string | null][]} */
    const changes = [];
    for (const { s, box } of boxes)
      if (box.checked) for (const key of keys) {
        const held = session.choice(key, from), own = session.choices.get(`scene:${s.id}\n${key}`);
        if (held.from === 'scene') changes.push([`scene:${s.id}`, key, held.value]);
        else if (own !== undefined) changes.push([`scene:${s.id}`, key, null]);
      }
    if (!changes.length) tell('There is nothing to copy: this scene has no choices of its own.');
    else if (await session.choose(changes)) tell(`Copied to ${boxes.filter((b) => b.box.checked).length} scenes; one undo takes it back.`);
  }

  function update() {
    showScope();
    for (const f of updates) f();
  }

  function build() {
    updates = [];
    const groups = app.tables.groups.filter((g) => g.params.length || g.name === 'film');
    refill(groupsPlace, groups.map(group));
    update();
  }

  session.addEventListener('choices', update, { signal: stop.signal });
  session.addEventListener('try', () => updates.forEach((f) => f()), { signal: stop.signal });
  session.addEventListener('frame', () => {
    if (session.scene !== lastScene) {
      lastScene = session.scene;
      update();
    }
  }, { signal: stop.signal });
  session.addEventListener('reel', build, { signal: stop.signal });
  let lastScene = session.scene;
  build();
  const measured = scopes(workspace);
  const crop = app.tables.groups.find((g) => g.name === 'crop');
  if (crop) cropByHand(workspace, crop, (values) => storeAll(crop, values), stop.signal);
  return {
    card: el('div', { class: 'adjust' }, scopePlace, measured.node, groupsPlace),
    close() {
      stop.abort();
      measured.close();
      blemishes.close();
      session.trying.clear();
    },
  };
}
