// SPDX-License-Identifier: GPL-3.0-or-later
// Findings: what the survey doubts, the worst first, with what it saw; a person says what they think.

import { el, fill, refill, tell } from '../dom.js';
import { count, feet, plural } from '../film.js';
import { layStill } from '../plate.js';
import { filmToFrame } from '../film.js';
import { severityOf } from '../map.js';
import { Smalls } from '../smalls.js';
import { curve } from '../plots.js';
import { mark } from './look.js';

/** @typedef {import('../session.js').Finding} Finding */

/** Which measurement speaks for a kind of finding. */
const SPEAKS = {
  'soft-frame': 'sharpness', 'focus-drift': 'edge.across', 'smeared-frame': 'edge.along', 'exposure-shift': 'clear',
  'clipped-light': 'clipped', 'missing-frame': 'motion', 'doubled-frame': 'difference', splice: 'difference',
};
const STATES = { open: 'Open', confirmed: 'Confirmed', dismissed: 'Dismissed' };

/** "interval_to_usual" -> "Interval to usual" @param {string} key */
const words = (key) => key.replace(/[_.]/g, ' ').replace(/^./, (c) => c.toUpperCase()).replace(/ px$/, ', px').replace(/ mm$/, ', mm');

/** @param {any} value */
function figure(value) {
  if (typeof value === 'number') return Number.isInteger(value) ? count(value) : String(Number(value.toPrecision(4)));
  if (value === null || value === undefined) return 'not known';
  if (typeof value === 'boolean') return value ? 'yes' : 'no';
  return String(value);
}

/** @param {import('../workspace.js').Workspace} workspace @returns {import('../workspace.js').View} */
export function findingsView(workspace) {
  const { session, app } = workspace;
  const smalls = new Smalls(session, { keep: 24, parallel: 2 }); // its own: the large picture asks for others
  smalls.onload = () => paint();
  let paint = () => {};
  const stop = new AbortController();
  let picked = /** @type {Finding | null} */ (null);
  let showDismissed = false;
  /** @type {ReturnType<typeof curve> | null} */
  let plot = null;
  const list = el('div', { class: 'finding-list', role: 'listbox', 'aria-label': 'Findings' });
  const head = el('div', { class: 'finding-head' });
  const stage = el('div', { class: 'evidence ground' });
  const printed = el('div', { class: 'printed' });
  const titleOf = (/** @type {Finding} */ f) => workspace.map.kinds[f.kind] ?? f.kind;
  const frames = (/** @type {Finding} */ f) => (f.first === f.last ? `frame ${count(f.first)}` : `frames ${count(f.first)}–${count(f.last)}`);

  const shownFindings = () => session.findings.filter((f) => showDismissed || f.state !== 'dismissed');

  // ---- the list ----

  function showList() {
    const rows = shownFindings();
    const by = (/** @type {string} */ s) => session.findings.filter((f) => f.severity === s && f.state === 'open').length;
    refill(head, el('p', { class: 'tally' }, /** @type {const} */ (['redo', 'look', 'note']).map((s) => el('span', null, mark(s), ` ${by(s)} `, el('span', { class: 'quiet' }, severityOf(s).title.toLowerCase())))),
      el('div', { class: 'row spread' }, el('label', { class: 'check' }, el('input', { type: 'checkbox', checked: showDismissed, onchange: (/** @type {any} */ e) => {
        showDismissed = e.target.checked;
        showList();
      } }), 'Dismissed too'), el('button', { type: 'button', class: 'small', onclick: printAll }, 'Print')));
    refill(list, rows.length ? rows.map(row) : el('p', { class: 'quiet' }, session.surveyed ? 'Nothing is in doubt.' : 'The reel has not been surveyed yet.'));
    if (!picked || !rows.includes(picked)) {
      const same = picked && rows.find((f) => f.id === /** @type {Finding} */ (picked).id);
      pick(same ?? rows[0] ?? null, false);
    }
  }

  /** @param {Finding} f */
  function row(f) {
    return el('button', { type: 'button', role: 'option', 'aria-selected': String(f === picked), class: `finding ${f.state}`, 'data-id': f.id, onclick: () => pick(f, true) },
      mark(f.severity, f.state === 'confirmed'),
      el('span', { class: 'finding-words' }, el('strong', null, titleOf(f)), el('span', { class: 'quiet' }, `${frames(f)}${f.state === 'open' ? '' : ` · ${STATES[/** @type {'open'} */ (f.state)].toLowerCase()}`}${f.note ? ' · note' : ''}`)));
  }

  // ---- evidence ----

  /** @param {Finding | null} f @param {boolean} go */
  function pick(f, go) {
    picked = f;
    for (const node of list.querySelectorAll('.finding')) {
      const on = node.getAttribute('data-id') === String(f?.id);
      node.setAttribute('aria-selected', String(on));
      if (on) node.scrollIntoView({ block: 'nearest' });
    }
    if (f && go) session.go(f.first);
    showEvidence();
  }

  /** Two frames: the one before and the one that is doubted; what a missing frame lies between.
   * @param {Finding} f @returns {[number, string][]} */
  function pair(f) {
    const last = session.reel.frames - 1;
    if (f.kind === 'missing-frame') return [[Math.max(f.first - 1, 0), 'Last before'], [Math.min(f.last + 1, last), 'First after']];
    if (f.kind === 'doubled-frame') return [[Math.max(f.first - 1, 0), 'First still'], [f.first, 'Second still']];
    if (f.last > f.first + 1) return [[f.first, 'First'], [f.last, 'Last']];
    return [[f.first > 0 ? f.first - 1 : f.first + 1, f.first > 0 ? 'Before' : 'After'], [f.first, 'In doubt']];
  }

  /** @param {number} n @param {string} text */
  function evidencePicture(n, text) {
    const canvas = el('canvas', { role: 'img', 'aria-label': `${text}: frame ${n}`, width: 720, height: Math.round(720 / (session.reel.gauge.shown[2] / session.reel.gauge.shown[3])) });
    const node = el('figure', null, canvas, el('figcaption', null, text, ' ', el('a', { href: `#/reel/${encodeURIComponent(session.name)}/look/${n}` }, `frame ${count(n)}`)));
    const draw = () => {
      const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext('2d'));
      const picture = smalls.peek(n);
      const place = session.placeOf(n) ?? session.usualPlace;
      context.fillStyle = '#8a8a8a';
      context.fillRect(0, 0, canvas.width, canvas.height);
      if (!picture) return;
      context.imageSmoothingQuality = 'high';
      if (place) layStill(context, picture, session.reel.stillWidth, place, filmToFrame(session.reel.gauge, { ...session.framing(n), scale: 1.16 }, canvas.width, canvas.height));
      else context.drawImage(picture, 0, 0, canvas.width, canvas.width * picture.height / picture.width);
    };
    return { n, node, draw };
  }

  async function showEvidence() {
    plot?.close();
    plot = null;
    const f = picked;
    if (!f) return fill(stage, el('p', { class: 'plate-note' }, session.findings.length ? '' : 'No findings.'));
    const pictures = pair(f).map(([n, text]) => evidencePicture(n, text));
    const note = el('textarea', { rows: 2, placeholder: 'A note', 'aria-label': 'Your note', maxlength: 1000 });
    note.value = f.note ?? '';
    note.addEventListener('change', () => judge(f, f.state, note.value));
    const plotPlace = el('div', { class: 'evidence-plot' });
    const button = (/** @type {string} */ state, /** @type {string} */ text, /** @type {string} */ key) => el('button', { type: 'button', 'aria-pressed': String(f.state === state), title: key, onclick: () => judge(f, f.state === state ? 'open' : state, note.value) }, text);
    fill(stage, el('div', { class: 'evidence-pair' }, pictures.map((p) => p.node)),
      el('div', { class: 'evidence-words' },
        el('div', { class: 'evidence-text' }, el('h2', null, mark(f.severity, f.state === 'confirmed'), ' ', titleOf(f)), f.evidence?.because ? el('p', null, f.evidence.because) : null, el('p', null, f.advice),
          el('div', { class: 'row' }, button('confirmed', 'Confirm', 'Y'), button('dismissed', 'Dismiss', 'X')), note),
        el('div', null, el('dl', { class: 'facts' }, [el('dt', null, 'Where'), el('dd', null, frames(f)), el('dt', null, 'Sure'), el('dd', null, `${Math.round(f.confidence * 100)} %`),
          ...Object.entries(f.evidence ?? {}).filter(([k, v]) => k !== 'pictures' && k !== 'because' && typeof v !== 'object').slice(0, 6).flatMap(([k, v]) => [el('dt', null, words(k)), el('dd', null, figure(v))])])), plotPlace));
    paint = () => pictures.forEach((p) => p.draw());
    paint();
    smalls.want(pictures.map((p) => p.n));
    const name = SPEAKS[/** @type {'splice'} */ (f.kind)];
    const measure = app.tables.measures.find((m) => m.name === name);
    if (!measure) return;
    const all = await session.readSeries(name).catch(() => null);
    if (!all || picked !== f || stop.signal.aborted) return;
    const from = Math.max(f.first - 30, 0), to = Math.min(f.last + 30, all.length - 1);
    plot = curve({ title: measure.title, unit: measure.unit, from, values: all.subarray(from, to + 1), n: f.first, height: 120, onpick: (n) => session.go(n) });
    fill(plotPlace, el('h3', null, measure.title), plot.node);
  }

  /** @param {Finding} f @param {string} state @param {string} note */
  async function judge(f, state, note) {
    try {
      const at = shownFindings().indexOf(f);
      await session.judge(f.id, state, note.trim() || null);
      if (state !== 'open' && state !== f.state) {
        const rows = shownFindings();
        const next = rows[state === 'dismissed' && !showDismissed ? at : at + 1] ?? rows[rows.length - 1] ?? null;
        pick(next, true);
      }
    } catch (error) {
      tell(error instanceof Error ? error.message : String(error), 'fault');
    }
  }

  // ---- on paper ----

  function fillPrinted() {
    const rows = session.findings.filter((f) => f.state !== 'dismissed');
    fill(printed, el('h1', null, session.reel.title || session.name), el('p', null, `${session.reel.gauge.title}, ${plural(session.reel.frames, 'frame', 'frames')}`),
      el('h2', null, 'To shoot again'), session.reshoot.length ? el('table', null, el('thead', null, el('tr', null, ['Frames', 'Count', 'From the head', 'Why'].map((t) => el('th', null, t)))),
        el('tbody', null, session.reshoot.map((r) => el('tr', null, el('td', null, r.first === r.last ? count(r.first) : `${count(r.first)}–${count(r.last)}`), el('td', null, r.last - r.first + 1),
          el('td', null, `${feet(r.firstMm)} (${(r.firstMm / 1000).toFixed(2)} m)`), el('td', null, r.why.split(',').map((k) => workspace.map.kinds[k.trim()] ?? k).join('; ')))))) : el('p', null, 'Nothing.'),
      el('h2', null, 'Findings'), el('table', null, el('thead', null, el('tr', null, ['', 'What', 'Frames', 'Sure', 'State', 'Note'].map((t) => el('th', null, t)))),
        el('tbody', null, rows.map((f) => el('tr', null, el('td', null, severityOf(f.severity).title), el('td', null, titleOf(f), el('br'), f.advice), el('td', null, f.first === f.last ? count(f.first) : `${count(f.first)}–${count(f.last)}`),
          el('td', null, `${Math.round(f.confidence * 100)} %`), el('td', null, STATES[/** @type {'open'} */ (f.state)] ?? f.state), el('td', null, f.note ?? ''))))));
  }

  function printAll() {
    fillPrinted();
    window.print();
  }

  // ---- to shoot again ----

  const reshoot = el('section', { class: 'reshoot' });
  function showReshoot() {
    const total = session.reshoot.reduce((sum, r) => sum + r.last - r.first + 1, 0);
    refill(reshoot, session.reshoot.length ? [el('h2', null, `To shoot again: ${plural(total, 'frame', 'frames')}`), el('ul', null, session.reshoot.map((r) => el('li', null,
      el('button', { type: 'button', class: 'link', onclick: () => session.go(r.first) }, r.first === r.last ? count(r.first) : `${count(r.first)}–${count(r.last)}`), el('span', { class: 'quiet' }, ` ${feet(r.firstMm)} from the head`))))] : []);
  }

  function update() {
    showList();
    showReshoot();
    showEvidence();
    fillPrinted();
  }

  /** @param {number} way */
  function walk(way) {
    const rows = shownFindings();
    const at = picked ? rows.indexOf(picked) : -1;
    const next = rows[at + way];
    if (next) pick(next, true);
  }

  session.addEventListener('findings', update, { signal: stop.signal });
  session.addEventListener('reel', () => {
    smalls.clear();
    update();
  }, { signal: stop.signal });
  session.addEventListener('frame', () => plot?.mark(session.n), { signal: stop.signal });
  workspace.stage.addEventListener('pick', (event) => {
    const { id } = /** @type {CustomEvent} */ (event).detail;
    pick(session.findings.find((f) => f.id === id) ?? null, false);
  }, { signal: stop.signal });
  document.body.append(printed);
  const near = shownFindings().find((f) => session.n >= f.first && session.n <= f.last);
  if (near) picked = near;
  update();
  const group = 'Findings';
  return {
    card: el('div', { class: 'findings-card' }, head, list, reshoot), stage,
    keys: [
      { keys: ['j'], does: 'Next in the list', group, act: () => walk(1) },
      { keys: ['k'], does: 'The one before in the list', group, act: () => walk(-1) },
      { keys: ['y'], does: 'Confirm', group, act: () => picked && judge(picked, picked.state === 'confirmed' ? 'open' : 'confirmed', picked.note ?? '') },
      { keys: ['x'], does: 'Dismiss', group, act: () => picked && judge(picked, picked.state === 'dismissed' ? 'open' : 'dismissed', picked.note ?? '') },
      { keys: ['t'], does: 'Write a note', group, act: () => /** @type {HTMLElement | null} */ (stage.querySelector('textarea'))?.focus() },
    ],
    close() {
      stop.abort();
      plot?.close();
      smalls.clear();
      printed.remove();
    },
  };
}
