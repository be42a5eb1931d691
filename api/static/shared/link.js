/**
 * The link to the bench: one WebSocket that heals itself and always knows how old the last word is.
 *
 * The server speaks at least once a second. Silence of `SILENCE_MS` is a lost link, whatever the socket believes:
 * a cable pulled out of a switch closes nothing.
 */

/** With the check every 200 ms, silence is told within 1.9 s. */
export const SILENCE_MS = 1700;
const CHECK_MS = 200;
const RETRY_MS = [200, 400, 800, 1500];

/**
 * Time that neither sleeps nor runs back: the monotonic clock stops in some sleeping tablets, the wall clock
 * may be set.
 * Elapsed time is the larger of the two.
 */
export class Elapsed {
  constructor(monotonic = () => performance.now(), wall = () => Date.now()) {
    this.monotonic = monotonic;
    this.wall = wall;
    this.restart();
  }

  restart() {
    this.fromMonotonic = this.monotonic();
    this.fromWall = this.wall();
  }

  ms() {
    return Math.max(this.monotonic() - this.fromMonotonic, this.wall() - this.fromWall, 0);
  }
}

/** How long to wait before try number `attempt` (0 the first). */
export function retryDelay(attempt) {
  return RETRY_MS[Math.min(attempt, RETRY_MS.length - 1)];
}

/**
 * Events: `message` (detail: the decoded message), `state` (detail: `connecting`, `live` or `lost`).
 */
export class Link extends EventTarget {
  constructor(url, { Socket = WebSocket, elapsed = () => new Elapsed() } = {}) {
    super();
    this.url = url;
    this.Socket = Socket;
    this.heard = elapsed();
    this.tried = elapsed();
    this.everHeard = false;
    this.state = "connecting";
    this.attempt = 0;
    this.socket = null;
    this.retry = null;
    this.checker = null;
  }

  open() {
    this.#connect();
    this.checker = setInterval(() => this.check(), CHECK_MS);
    return this;
  }

  close() {
    clearInterval(this.checker);
    clearTimeout(this.retry);
    this.#drop();
  }

  /** Milliseconds since the bench last spoke; `Infinity` before its first word. */
  ageMs() {
    return this.everHeard ? this.heard.ms() : Infinity;
  }

  /** Called on a timer: tells a silent link lost, and gives up an attempt that gets no answer. */
  check() {
    if (this.heard.ms() <= SILENCE_MS) return;
    this.#become("lost");
    if (this.socket && this.tried.ms() > SILENCE_MS) this.#again(retryDelay(this.attempt));
  }

  /** Called by a screen that wakes: a stale link is replaced at once, not when a timer comes round. */
  wake() {
    if (this.heard.ms() <= SILENCE_MS) return;
    this.#become("lost");
    this.attempt = 0;
    this.#again(0);
  }

  #become(state) {
    if (state === this.state) return;
    this.state = state;
    this.dispatchEvent(new CustomEvent("state", { detail: state }));
  }

  #drop() {
    if (!this.socket) return;
    const old = this.socket;
    this.socket = null;
    old.onmessage = old.onclose = null;
    old.close();
  }

  #connect() {
    this.#drop();
    this.tried.restart();
    const socket = new this.Socket(this.url);
    this.socket = socket;
    socket.onmessage = (event) => this.#hear(event.data);
    socket.onclose = () => this.#closed();
  }

  #closed() {
    this.#become("lost");
    this.#again(retryDelay(this.attempt));
  }

  #again(delay) {
    this.#drop();
    clearTimeout(this.retry);
    this.attempt += 1;
    this.retry = setTimeout(() => this.#connect(), delay);
  }

  #hear(text) {
    let message;
    try {
      message = JSON.parse(text);
    } catch {
      return; // not ours; silence will tell if that is all there is
    }
    this.heard.restart();
    this.everHeard = true;
    this.attempt = 0;
    this.#become("live");
    this.dispatchEvent(new CustomEvent("message", { detail: message }));
  }
}

/** The address of the live feed as seen from this page. */
export function liveAddress(location = window.location) {
  const scheme = location.protocol === "https:" ? "wss:" : "ws:";
  return `${scheme}//${location.host}/live`;
}

/** A link that never says anything, for pages of what is only looked at. */
export function stillLink() {
  return Object.assign(new EventTarget(), { state: "still", ageMs: () => 0 });
}

/** A link that wakes with the screen: after sleep, a change of network, or a page brought back from the cache. */
export function openLink() {
  const link = new Link(liveAddress()).open();
  const wake = () => document.visibilityState === "visible" && link.wake();
  document.addEventListener("visibilitychange", wake);
  window.addEventListener("pageshow", wake);
  window.addEventListener("online", wake);
  return link;
}
