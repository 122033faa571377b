// SPDX-License-Identifier: GPL-3.0-or-later
// Talking to the bench. Addresses are relative to the page's own, which holds the key.

export class BenchError extends Error {
  /** @param {string} message @param {string} code @param {number} status */
  constructor(message, code, status) {
    super(message);
    this.code = code;
    this.status = status;
  }
}

/** @param {string} part */
const escaped = (part) => encodeURIComponent(part);

/** @param {Response} response */
async function failure(response) {
  let said = { error: `The bench answered ${response.status}.`, code: 'failed' };
  try {
    said = await response.json();
  } catch { /* then not */ }
  return new BenchError(said.error, said.code, response.status);
}

/** @param {string} address @param {RequestInit} [init] */
async function ask(address, init) {
  let response;
  try {
    response = await fetch(address, init);
  } catch (error) {
    if (error instanceof DOMException && error.name === 'AbortError') throw error;
    throw new BenchError('The bench does not answer; is it still running?', 'away', 0);
  }
  if (!response.ok) throw await failure(response);
  return response;
}

/** @param {string} address @returns {Promise<any>} */
export async function get(address) {
  return (await ask(address)).json();
}

/** @param {string} address @param {any} body @returns {Promise<any>} */
export async function post(address, body) {
  const response = await ask(address, {
    method: 'POST',
    headers: { 'Content-Type': 'application/json' },
    body: JSON.stringify(body),
  });
  return response.json();
}

/** @param {string} address @returns {Promise<ArrayBuffer>} */
export async function getNumbers(address) {
  return (await ask(address)).arrayBuffer();
}

/** @param {string} address @param {AbortSignal} [signal] @returns {Promise<ImageBitmap>} */
export async function getPicture(address, signal) {
  const blob = await (await ask(address, { signal })).blob();
  return createImageBitmap(blob);
}

/** @param {string} reel @param {string} [rest] */
export function reelAddress(reel, rest) {
  return `api/reel/${escaped(reel)}${rest ? `/${rest}` : ''}`;
}

/** @param {string} reel @param {number} still @param {string} stamp */
export function smallAddress(reel, still, stamp) {
  return `picture/small/${escaped(reel)}/${still}?s=${escaped(stamp)}`;
}

/** @param {string} reel @param {number} still @param {string} stamp @param {Record<string, number>} options */
export function stillAddress(reel, still, stamp, options) {
  const query = Object.entries(options).map(([key, value]) => `${key}=${Math.round(value)}`).join('&');
  return `picture/still/${escaped(reel)}/${still}?s=${escaped(stamp)}&${query}`;
}

/** @param {string} reel @param {number} n @param {Record<string, string | number>} options */
export function finishedAddress(reel, n, options) {
  const query = Object.entries(options).map(([key, value]) => `${key}=${escaped(String(value))}`).join('&');
  return `picture/finished/${escaped(reel)}/${n}?${query}`;
}

/** @param {string} reel @param {number} n @param {Record<string, string | number>} options */
export function statisticsAddress(reel, n, options) {
  const query = Object.entries(options).map(([key, value]) => `${key}=${escaped(String(value))}`).join('&');
  return `api/reel/${escaped(reel)}/statistics/${n}?${query}`;
}

/** @param {string} reel @param {string} name @param {boolean} [save] */
export function movieAddress(reel, name, save) {
  return `movie/${escaped(reel)}/${escaped(name)}${save ? '?save=1' : ''}`;
}

// ---- what happens elsewhere ----

/**
 * One stream for the page. It is closed while the page is hidden, since a browser holds few
 * connections to one place; on coming back the page looks at everything again ("resync").
 */
export class Events extends EventTarget {
  constructor() {
    super();
    /** @type {EventSource | null} */
    this.source = null;
    this.wasAway = false;
    document.addEventListener('visibilitychange', () => this.follow());
    this.follow();
  }

  follow() {
    if (document.hidden) {
      this.source?.close();
      this.source = null;
      this.wasAway = true;
    } else if (!this.source) {
      this.open();
    }
  }

  open() {
    const source = new EventSource('api/events');
    this.source = source;
    for (const name of ['job', 'choices', 'findings', 'reel', 'worked', 'resync'])
      source.addEventListener(name, (event) => this.pass(name, JSON.parse(event.data)));
    source.addEventListener('open', () => {
      if (this.wasAway) this.pass('resync', {});
      this.wasAway = false;
      this.dispatchEvent(new CustomEvent('here'));
    });
    source.addEventListener('error', () => {
      this.wasAway = true;
      this.dispatchEvent(new CustomEvent('away'));
      if (source.readyState === EventSource.CLOSED && this.source === source) {
        this.source = null;
        setTimeout(() => this.follow(), 2000);
      }
    });
  }

  /** @param {string} name @param {any} detail */
  pass(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail }));
  }
}
