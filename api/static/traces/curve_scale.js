/**
 * Which part of the turn a drawing shows, and where its ticks stand. All pure.
 */

import { deadCentreTick, wrap } from "./units.js";

/** Degrees a bin; coarse enough to be quick, fine enough to frame a rocked nose. */
const BIN = 4;

/** The occupied part of a turn, grown point by point. */
export class Span {
  constructor(period) {
    this.period = period;
    this.bins = new Uint8Array(Math.round(period / BIN));
    this.filled = 0;
  }

  /** True when the point opened a new bin, so that the window may have changed. */
  add(deg) {
    const at = Math.min(this.bins.length - 1, Math.floor(wrap(deg, this.period) / BIN));
    if (this.bins[at]) return false;
    this.bins[at] = 1;
    this.filled += 1;
    return true;
  }

  /**
   * `{start, width}` in degrees round the occupied part: what is left after the widest empty gap, padded; the whole
   * turn when nothing much is empty.
   */
  window(pad = 0.12) {
    const { period, bins } = this;
    if (!this.filled) return { start: 0, width: period };
    const count = bins.length;
    let bestGap = 0;
    let bestEnd = 0;
    let gap = 0;
    // Twice round, so that a gap across zero is seen whole.
    for (let at = 0; at < 2 * count; at += 1) {
      gap = bins[at % count] ? 0 : gap + 1;
      if (gap > bestGap) [bestGap, bestEnd] = [gap, at % count];
    }
    if (bestGap * BIN < period * 0.12) return { start: 0, width: period };
    const used = period - bestGap * BIN;
    const width = Math.min(period, Math.max(24, used * (1 + 2 * pad)));
    return { start: wrap((bestEnd + 1) * BIN + used / 2 - width / 2, period), width };
  }
}

/** Horizontal place 0..1 of an angle in a window; outside it, below 0 or above 1. */
export function placeInWindow(deg, window, period) {
  const from = wrap(deg - window.start, period);
  const slackTurn = (period - window.width) / 2;
  return (from > window.width + slackTurn ? from - period : from) / window.width;
}

/** A round step that gives about `wanted` ticks over `range`. */
export function niceStep(range, wanted) {
  const raw = range / Math.max(1, wanted);
  const power = 10 ** Math.floor(Math.log10(raw));
  const unit = [1, 2, 5, 10].find((step) => raw <= step * power) ?? 10;
  return unit * power;
}

export const ANGLE_STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 45, 90, 180, 360];

/** Ticks of a crank-degree axis: on the builder's round angles. */
export function angleTicks(window, wanted) {
  const step = ANGLE_STEPS.find((candidate) => window.width / candidate <= wanted) ?? 180;
  const first = Math.ceil(window.start / step) * step;
  const ticks = [];
  for (let at = first; at <= window.start + window.width + 1e-9; at += step) ticks.push(at);
  return ticks;
}

/**
 * Angles to mark on an axis `clientWidth` pixels wide, and what is written there: the builder's round angles, a lobe's
 * counted from the dead centres unless this screen wants plain degrees.
 */
export function angleMarks([from, to], clientWidth, { angles, wording } = {}) {
  const values = angleTicks({ start: from, width: to - from }, Math.max(2, clientWidth / 90)).map(
    (at) => Math.round(at * 10) / 10,
  );
  const lobe = angles === "lobe" && wording !== "plain";
  return { values, texts: values.map((deg) => (lobe ? deadCentreTick(deg) : `${deg}°`)) };
}

export function lengthTicks(low, high, wanted) {
  const step = niceStep(high - low, wanted);
  const ticks = [];
  for (let at = Math.ceil(low / step) * step; at <= high + step * 1e-9; at += step) ticks.push(at);
  return { ticks, decimals: Math.max(0, -Math.floor(Math.log10(step))) };
}
