// SPDX-License-Identifier: GPL-3.0-or-later
// Long work: what runs, what waits, how far it is.

import { get, post } from './api.js';
import { clock, count } from './film.js';
import { el, fill, tell } from './dom.js';

/**
 * @typedef {{number: number, kind: string, reel: string, key: string | null, state: string,
 *   what: string | null, units: string | null, done: number, total: number, seconds: number,
 *   message: string | null, result: string | null}} Job
 */

const NAMES = { intake: 'Taking in', survey: 'Surveying', finish: 'Finishing', estimate: 'Estimating', report: 'Writing the report', package: 'Packing' };
const DONE = { intake: 'Taken in', survey: 'Surveyed', finish: 'Finished', report: 'Report written', package: 'Packed' };

/** @param {Job} job */
export const titleOf = (job) => NAMES[/** @type {keyof typeof NAMES} */ (job.kind)] ?? job.kind;
/** @param {Job} job */
export const isOver = (job) => job.state === 'done' || job.state === 'failed' || job.state === 'stopped';

/** The last line of what it said, without the program's name. @param {Job} job */
export const lastWord = (job) => (job.message ?? '').trim().split('\n').pop()?.replace(/^reelwright( \w+)?: /, '') ?? '';

export class Jobs extends EventTarget {
  /** @param {import('./api.js').Events} events */
  constructor(events) {
    super();
    /** @type {Map<number, Job>} */
    this.list = new Map();
    events.addEventListener('job', (event) => {
      for (const job of /** @type {CustomEvent} */ (event).detail) this.take(job);
    });
    events.addEventListener('resync', () => this.read());
    this.read();
  }

  async read() {
    try {
      const { jobs } = await get('api/jobs');
      this.list = new Map(jobs.map((/** @type {Job} */ job) => [job.number, job]));
      this.changed();
    } catch { /* the next event brings it */ }
  }

  /** @param {Job} job */
  take(job) {
    const before = this.list.get(job.number);
    this.list.set(job.number, job);
    if (isOver(job) && before && !isOver(before) && job.kind !== 'estimate') {
      if (job.state === 'failed') tell(`${titleOf(job)} ${job.reel}: ${lastWord(job) || 'it failed.'}`, 'fault');
      else if (job.state === 'done') tell(`${DONE[/** @type {keyof typeof DONE} */ (job.kind)]}: ${job.reel}`);
    }
    this.changed();
  }

  changed() {
    this.dispatchEvent(new CustomEvent('change'));
  }

  /** @param {string} reel @returns {Job[]} newest first */
  of(reel) {
    return [...this.list.values()].filter((job) => job.reel === reel).sort((a, b) => b.number - a.number);
  }

  get busy() {
    return [...this.list.values()].filter((job) => !isOver(job) && job.kind !== 'estimate').sort((a, b) => a.number - b.number);
  }

  /** @param {Record<string, any>} order @returns {Promise<number>} its number, 0 when refused */
  async start(order) {
    try {
      const { number } = await post('api/jobs', order);
      await this.read();
      return number;
    } catch (error) {
      tell(error instanceof Error ? error.message : String(error), 'fault');
      return 0;
    }
  }

  /** @param {number} number */
  async stop(number) {
    await post(`api/jobs/${number}/stop`, {}).catch((error) => tell(error.message, 'fault'));
  }

  /** Resolves when it is over. @param {number} number @returns {Promise<Job>} */
  ended(number) {
    return new Promise((resolve) => {
      const look = () => {
        const job = this.list.get(number);
        if (!job || !isOver(job)) return;
        this.removeEventListener('change', look);
        resolve(job);
      };
      this.addEventListener('change', look);
      look();
    });
  }
}

/** "120 of 3600 stills, 0:42 left" @param {Job} job */
export function progressText(job) {
  if (job.state === 'waiting') return 'waits for its turn';
  if (!job.total) return 'begins';
  const rate = job.seconds > 0.5 ? job.done / job.seconds : 0;
  const left = rate > 0 && job.done < job.total ? `, ${clock((job.total - job.done) / rate)} left` : '';
  return `${count(job.done)} of ${count(job.total)} ${job.units}${left}`;
}

/** A line that follows a job. @param {Jobs} jobs @param {Job} job */
export function jobLine(jobs, job) {
  const bar = el('progress', { max: Math.max(job.total, 1), 'aria-label': titleOf(job) });
  if (job.total) bar.value = job.done;
  return el('div', { class: 'job' }, el('div', { class: 'job-words' },
    el('strong', null, titleOf(job)), ` ${progressText(job)}`), bar,
  el('button', { type: 'button', class: 'small', onclick: () => jobs.stop(job.number) }, 'Stop'));
}

/** The chip in the bar: how much is being done. @param {Jobs} jobs */
export function jobChip(jobs, /** @type {AbortSignal} */ signal) {
  const words = el('span');
  const chip = el('div', { class: 'chip', hidden: true, role: 'status' }, el('span', { class: 'dot' }), words);
  const show = () => {
    const [first, ...rest] = jobs.busy;
    chip.hidden = !first;
    if (first) {
      const part = first.total ? ` ${Math.floor(100 * first.done / first.total)} %` : '';
      fill(words, `${titleOf(first)} ${first.reel}${part}${rest.length ? `, ${rest.length} waiting` : ''}`);
    }
  };
  jobs.addEventListener('change', show, { signal });
  show();
  return chip;
}
