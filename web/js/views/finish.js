// SPDX-License-Identifier: GPL-3.0-or-later
// Finish: what the movie is to be, how large and how long it will be, making it, playing it.

import { get, movieAddress, reelAddress } from '../api.js';
import { bytes, clock, count, rate } from '../film.js';
import { el, fill, refill } from '../dom.js';
import { isOver, jobLine, lastWord } from '../jobs.js';

const SIZES = { hd: 'HD, 1440 × 1080', uhd: 'UHD, 2880 × 2160', native: 'As the stills are' };
const CADENCES = ['native', '24', '25', '29.97', '30', '50', '59.94', '60'];

/** @param {import('../workspace.js').Workspace} workspace @returns {import('../workspace.js').View} */
export function finishView(workspace) {
  const { session, app } = workspace;
  const stop = new AbortController();
  const kept = JSON.parse(localStorage.getItem('finish') ?? '{}');
  const deliveries = app.tables.deliveries.filter((d) => d.extension);
  const wish = {
    codec: deliveries.some((d) => d.name === kept.codec) ? kept.codec : deliveries[0].name,
    size: kept.size in SIZES ? kept.size : 'hd', cadence: CADENCES.includes(kept.cadence) ? kept.cadence : 'native',
    quality: /** @type {Record<string, number>} */ (kept.quality ?? {}), skip: /** @type {string[]} */ ([]),
    from: '', to: '',
  };
  const delivery = () => /** @type {import('../main.js').Delivery} */ (deliveries.find((d) => d.name === wish.codec));
  const movies = el('div');
  const work = el('div');
  const estimate = el('dl', { class: 'facts estimate' });
  const qualityPlace = el('div');
  const video = el('video', { controls: true, hidden: true, preload: 'metadata', playsinline: true });
  const empty = el('p', { class: 'plate-note' });
  const stage = el('div', { class: 'finish-stage' }, workspace.plate.node, video, empty);
  const name = el('input', { type: 'text', maxlength: 100, 'aria-label': 'Name of the movie', value: session.name });
  /** @type {{key: string, seconds: number, bytes: number, frames: number} | null} */
  let measured = null;
  let estimating = 0, timer = 0;

  const from = el('input', { type: 'number', class: 'figure', min: 0, placeholder: '0', 'aria-label': 'From frame', onchange: () => changed() });
  const to = el('input', { type: 'number', class: 'figure', min: 0, placeholder: String(Math.max(session.reel.frames - 1, 0)), 'aria-label': 'To frame', onchange: () => changed() });

  function order() {
    const d = delivery();
    return { reel: session.name, codec: wish.codec, size: wish.size, cadence: wish.cadence, skip: wish.skip, ...(d.scale ? { quality: wish.quality[d.name] ?? d.quality } : {}) };
  }

  function frames() {
    const last = session.reel.frames - 1;
    const a = from.value === '' ? 0 : Number(from.value), b = to.value === '' ? last : Number(to.value);
    return { a: Math.max(a, 0), b: Math.min(b, last), given: from.value !== '' || to.value !== '' };
  }

  // ---- the form ----

  /** @param {string} label @param {Record<string, string>} options @param {'size' | 'cadence'} key */
  function select(label, options, key) {
    const id = `f-${key}`;
    return el('div', { class: 'control' }, el('label', { for: id }, label), el('select', { id, onchange: (/** @type {any} */ e) => {
      wish[key] = e.target.value;
      changed();
    } }, Object.entries(options).map(([value, text]) => el('option', { value, selected: wish[key] === value }, text))));
  }

  function quality() {
    const d = delivery();
    if (!d.scale) return fill(qualityPlace, d.lossless ? el('p', { class: 'quiet' }, 'Lossless: every frame can be got back bit for bit.') : null);
    const value = wish.quality[d.name] ?? d.quality;
    const output = el('output', { class: 'figure' }, String(value));
    const range = el('input', { type: 'range', id: 'f-quality', min: d.best, max: d.worst, step: 1, value: String(value), oninput: () => {
      output.textContent = range.value;
    }, onchange: () => {
      wish.quality[d.name] = Number(range.value);
      changed();
    } });
    fill(qualityPlace, el('div', { class: 'control' }, el('label', { for: 'f-quality' }, 'Quality'), output, range, el('p', { class: 'help' }, `Smaller is better and larger on disk; ${d.quality} is usual.`)));
  }

  const cadences = () => Object.fromEntries(CADENCES.map((c) => [c, c === 'native' ? `The film\u2019s own, ${Number(session.fps.toFixed(3))} a second` : `${c} a second`]));
  const form = el('div', { class: 'finish-form' },
    el('fieldset', { class: 'deliveries' }, el('legend', null, 'Delivery'), deliveries.map((d) => el('label', null, el('input', { type: 'radio', name: 'codec', value: d.name, checked: d.name === wish.codec, onchange: () => {
      wish.codec = d.name;
      quality();
      changed();
    } }), el('span', null, d.title)))),
    select('Size', SIZES, 'size'), select('Cadence', cadences(), 'cadence'), qualityPlace,
    el('details', { class: 'group' }, el('summary', null, 'Parts and stages'),
      el('div', { class: 'range-row' }, from, el('span', null, 'to'), to),
      el('div', { class: 'choices-list' }, app.tables.stages.filter((s) => s.usual).map((s) => el('label', null, el('input', { type: 'checkbox', checked: true, onchange: (/** @type {any} */ e) => {
        wish.skip = wish.skip.filter((x) => x !== s.name).concat(e.target.checked ? [] : [s.name]);
        changed();
      } }), el('span', null, s.title))))),
    el('div', { class: 'control' }, el('label', null, 'Name'), name),
    el('div', { class: 'go' }, estimate, el('button', { type: 'button', class: 'primary wide', onclick: make }, 'Make the movie')));

  // ---- estimates ----

  function changed() {
    localStorage.setItem('finish', JSON.stringify({ codec: wish.codec, size: wish.size, cadence: wish.cadence, quality: wish.quality }));
    showEstimate();
    clearTimeout(timer);
    timer = window.setTimeout(measure, 700);
  }

  function showEstimate() {
    const { a, b } = frames();
    const pictures = Math.max(session.filmBefore(b + 1) - session.filmBefore(a), 0);
    const seconds = pictures / session.fps;
    const out = wish.cadence === 'native' ? pictures : Math.round(seconds * rate(wish.cadence));
    const fits = measured && measured.key === JSON.stringify(order());
    const scale = fits && measured ? pictures / measured.frames : 0;
    fill(estimate, el('dt', null, 'Runs'), el('dd', null, `${clock(seconds)} (${count(out)} frames)`),
      el('dt', null, 'About'), el('dd', null, fits && measured ? bytes(measured.bytes * scale) : '…'),
      el('dt', null, 'Takes'), el('dd', null, fits && measured ? `about ${clock(Math.max(measured.seconds * scale, 1))}` : '…'));
  }

  async function measure() {
    if (!session.surveyed || !session.reel.frames || estimating || app.jobs.busy.length) return;
    const wanted = order(), key = JSON.stringify(wanted);
    if (measured?.key === key) return;
    estimating = await app.jobs.start({ kind: 'estimate', ...wanted });
    if (!estimating) return;
    const job = await app.jobs.ended(estimating);
    estimating = 0;
    if (stop.signal.aborted) return;
    const size = /bytes (\d+)/.exec(job.result ?? '');
    if (job.state === 'done' && size) measured = { key, seconds: Math.max(job.seconds - 0.15, 0.05), bytes: Number(size[1]), frames: Math.min(24, session.reel.frames) };
    showEstimate();
    if (JSON.stringify(order()) !== key) measure();
  }

  // ---- making ----

  async function make() {
    const { a, b, given } = frames();
    await app.jobs.start({ kind: 'finish', ...order(), name: name.value.trim(), ...(given ? { from: a, to: b } : {}) });
  }

  function showWork() {
    const jobs = app.jobs.of(session.name).filter((job) => job.kind === 'finish');
    const running = jobs.filter((job) => !isOver(job));
    const failed = jobs[0]?.state === 'failed' ? jobs[0] : null;
    refill(work, running.map((job) => jobLine(app.jobs, job)), failed ? el('p', { class: 'fault' }, lastWord(failed)) : null);
  }

  /** @param {string} file */
  function play(file) {
    video.src = movieAddress(session.name, file);
    video.hidden = false;
    empty.hidden = true;
    stage.dataset.playing = file;
    video.play().catch(() => {});
  }

  /** @param {string} type */
  const canPlay = (type) => type.startsWith('video/') && video.canPlayType(type === 'video/mp4' ? 'video/mp4; codecs="avc1.640028"' : type) !== '';

  async function showMovies() {
    const list = (await get(reelAddress(session.name, 'movies')).catch(() => ({ movies: [] }))).movies;
    if (stop.signal.aborted) return;
    list.sort((/** @type {any} */ a, /** @type {any} */ b) => b.made - a.made);
    refill(movies, list.length ? el('h2', null, 'Made') : null, list.map((/** @type {{name: string, bytes: number, type: string}} */ m) => el('div', { class: 'movie' },
      el('span', { class: 'movie-words' }, el('strong', null, m.name), el('span', { class: 'quiet' }, bytes(m.bytes))),
      canPlay(m.type) ? el('button', { type: 'button', class: 'small', onclick: () => play(m.name) }, 'Play') : null,
      el('a', { class: 'button small', href: movieAddress(session.name, m.name, true), download: m.name }, 'Save'))));
    const playable = list.find((/** @type {any} */ m) => canPlay(m.type));
    if (!stage.dataset.playing) {
      if (playable) {
        video.src = movieAddress(session.name, playable.name);
        video.hidden = false;
      }
      empty.hidden = session.surveyed;
      empty.textContent = 'The reel has to be surveyed before a movie can be made of it.';
    }
  }

  app.jobs.addEventListener('change', showWork, { signal: stop.signal });
  app.events.addEventListener('worked', (event) => {
    if (/** @type {CustomEvent} */ (event).detail.reel === session.name) showMovies();
  }, { signal: stop.signal });
  session.addEventListener('choices', () => {
    measured = null;
    changed();
  }, { signal: stop.signal });
  quality();
  changed();
  showWork();
  showMovies();
  const report = (/** @type {string} */ kind) => el('button', { type: 'button', class: 'small', onclick: () => app.jobs.start({ kind: 'report', reel: session.name, form: kind }) }, `Report, ${kind.toUpperCase()}`);
  return {
    card: el('div', null, work, form, movies, el('div', { class: 'row reports' }, report('pdf'), report('html'))), stage,
    close() {
      stop.abort();
      clearTimeout(timer);
      video.pause();
      video.removeAttribute('src');
      video.load();
    },
  };
}
