// SPDX-License-Identifier: GPL-3.0-or-later
// Look: the picture large, and beside it what is known of the frame.

import { get, reelAddress } from '../api.js';
import { bytes, count, plural } from '../film.js';
import { el, fill, refill } from '../dom.js';
import { jobLine } from '../jobs.js';
import { severityOf } from '../map.js';
import { curve } from '../plots.js';

const PLACED = {
  perforation: 'by its perforation', gate: 'by the gate\u2019s edges', picture: 'by its picture',
  person: 'by hand', none: 'nowhere', '': 'not yet',
};

/** A mark as one writes it on film. @param {string} severity @param {boolean} [solid] */
export function mark(severity, solid) {
  return el('span', { class: `mark ${severity}${solid ? ' solid' : ''}`, title: severityOf(severity).title, 'aria-label': severityOf(severity).title });
}

/** @param {import('../workspace.js').Workspace} workspace @returns {import('../workspace.js').View} */
export function lookView(workspace) {
  const { session, app } = workspace;
  const stop = new AbortController();
  const facts = el('div');
  const found = el('div');
  const work = el('div');
  const plotPlace = el('div');
  const { measures } = app.tables;
  const stored = localStorage.getItem('look.measure');
  let measure = measures.find((m) => m.name === stored) ?? measures.find((m) => m.name === 'sharpness') ?? measures[0];
  /** @type {ReturnType<typeof curve> | null} */
  let plot = null;
  let asked = -1;

  const choose = el('select', { 'aria-label': 'Measurement', onchange: () => {
    measure = measures[choose.selectedIndex];
    localStorage.setItem('look.measure', measure.name);
    showPlot();
  } }, measures.map((m) => el('option', { selected: m === measure }, m.title)));

  async function showPlot() {
    plot?.close();
    plot = null;
    if (!session.surveyed) return fill(plotPlace);
    const values = await session.readSeries(measure.name).catch(() => null);
    if (!values || stop.signal.aborted) return;
    plot = curve({ title: measure.title, unit: measure.unit, from: 0, values, n: session.n, height: 150, onpick: (n) => session.go(n) });
    fill(plotPlace, el('div', { class: 'row spread' }, el('h2', null, 'Measured'), choose), plot.node,
      el('p', { class: 'quiet' }, measure.help));
  }

  /** @param {[string, any][]} rows */
  const list = (rows) => el('dl', { class: 'facts' }, rows.filter(([, v]) => v !== null && v !== '').flatMap(([k, v]) => [el('dt', null, k), el('dd', null, v)]));

  async function showFrame() {
    plot?.mark(session.n);
    showFound();
    if (workspace.player.running) return;
    const n = session.n;
    asked = n;
    const frame = session.reel.frames ? await get(reelAddress(session.name, `frame/${n}`)).catch(() => null) : null;
    if (asked !== n || stop.signal.aborted) return;
    if (!frame) return fill(facts);
    const { still } = frame;
    const confidence = session.confidenceOf(n);
    fill(facts, el('h2', null, `Frame ${count(n)}`), list([
      ['Still', still ? still.path.replace(/^stills\//, '') : 'none: this frame was not taken'],
      ['Taken', still?.captured ? `${still.captured.slice(0, 10)} ${still.captured.slice(11, 19)}` : null],
      ['Size', still ? `${still.width} × ${still.height}, ${bytes(still.bytes)}` : null],
      ['Fault', still?.fault ?? null],
      ['Repeats', frame.doubledOf >= 0 ? `frame ${count(frame.doubledOf)}` : null],
      ['Replaces', frame.replaced ? 'an earlier still' : null],
      ['Placed', session.surveyed ? `${PLACED[/** @type {''} */ (session.methodOf(n))] ?? session.methodOf(n)}${confidence >= 0 && confidence < 1 ? `, ${Math.round(confidence * 100)} % sure` : ''}` : 'not surveyed yet'],
    ]));
  }

  function showFound() {
    const here = session.findings.filter((f) => session.n >= f.first && session.n <= f.last && f.state !== 'dismissed');
    refill(found, here.map((f) => el('a', { class: 'found', href: workspace.address('findings'), onclick: () => workspace.openFinding(f) },
      mark(f.severity, f.state === 'confirmed'), el('span', null, workspace.map.kinds[f.kind] ?? f.kind))));
  }

  function showWork() {
    const jobs = app.jobs.of(session.name).filter((job) => ['intake', 'survey'].includes(job.kind) && ['waiting', 'running'].includes(job.state));
    const open = session.findings.filter((f) => f.state === 'open').length;
    const next = jobs.length ? jobs.map((job) => jobLine(app.jobs, job))
      : !session.surveyed ? [el('p', null, 'The stills are in. The survey measures each of them, finds where the film lies, and says what is in doubt.'),
        el('button', { type: 'button', class: 'primary', onclick: () => app.jobs.start({ kind: 'survey', reel: session.name }) }, 'Survey')]
        : open ? [el('p', null, `${plural(open, 'finding needs', 'findings need')} a look.`), el('button', { type: 'button', onclick: () => workspace.toFinding(1) }, 'To the next'), ' ',
          el('a', { href: workspace.address('findings') }, 'All findings')] : [];
    refill(work, next.length ? el('section', { class: 'next' }, ...next) : null);
  }

  const on = (/** @type {EventTarget} */ target, /** @type {string} */ name, /** @type {() => void} */ f) => target.addEventListener(name, f, { signal: stop.signal });
  on(session, 'frame', showFrame);
  on(session, 'choices', showFrame);
  on(session, 'findings', () => {
    showFound();
    showWork();
  });
  on(session, 'reel', () => {
    showFrame();
    showWork();
    showPlot();
  });
  on(app.jobs, 'change', showWork);
  showFrame();
  showWork();
  showPlot();
  return {
    card: el('div', null, work, facts, found, plotPlace),
    close() {
      stop.abort();
      plot?.close();
    },
  };
}
