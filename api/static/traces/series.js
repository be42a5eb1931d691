/**
 * Curves as numbers: read off, brought onto one another, compared, differentiated. A curve is `{deg, mm}`,
 * `deg` rising.
 * All pure.
 */

import { wrap, wrapSigned } from "./units.js";

/** Index of the last entry of sorted `list` that is not above `value`; -1 when all are. */
export function lastNotAbove(list, value) {
  let low = 0;
  let high = list.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (list[middle] <= value) low = middle + 1;
    else high = middle;
  }
  return low - 1;
}

/** Straight-line reading of `ys` over rising `xs` at `x`; `NaN` outside. */
export function interpolate(xs, ys, x) {
  const at = lastNotAbove(xs, x);
  if (at < 0 || (at === xs.length - 1 && x > xs[at])) return NaN;
  if (at === xs.length - 1) return ys[at];
  const span = xs[at + 1] - xs[at];
  return span > 0 ? ys[at] + ((ys[at + 1] - ys[at]) * (x - xs[at])) / span : ys[at];
}

/** A curve of one turn made to rise from its widest gap, angles unwrapped past the end of the turn. */
export function unrolled(deg, mm, period) {
  const pairs = deg.map((angle, at) => [wrap(angle, period), mm[at]]).sort((a, b) => a[0] - b[0]);
  if (pairs.length < 3) return { deg: pairs.map(([angle]) => angle), mm: pairs.map(([, value]) => value) };
  let start = 0;
  let widest = pairs[0][0] + period - pairs[pairs.length - 1][0];
  for (let at = 1; at < pairs.length; at += 1) {
    const gap = pairs[at][0] - pairs[at - 1][0];
    if (gap > widest) [widest, start] = [gap, at];
  }
  const turned = [
    ...pairs.slice(start),
    ...pairs.slice(0, start).map(([angle, value]) => [angle + period, value]),
  ];
  return { deg: turned.map(([angle]) => angle), mm: turned.map(([, value]) => value) };
}

/** The same curve, `shift` degrees later. */
export function shifted(curve, shift) {
  return { deg: curve.deg.map((deg) => deg + shift), mm: curve.mm };
}

/** Crank degrees to cam degrees: the cam turns once in two turns of the crank. */
export function inCamDegrees(curve) {
  return { deg: curve.deg.map((deg) => deg / 2), mm: curve.mm };
}

/**
 * Move curves so that their centres fall on the first one's. `items` are `{curve, centre}`; a shift is the shorter way.
 */
export function aligned(items, period) {
  const first = items[0]?.centre ?? 0;
  return items.map(({ curve, centre }) => shifted(curve, wrapSigned(first - centre, period)));
}

/** Bring `curve` onto the turn that overlaps `reference` best. */
export function sameTurn(reference, curve, period) {
  const middle = (c) => (c.deg[0] + c.deg[c.deg.length - 1]) / 2;
  const turns = Math.round((middle(reference) - middle(curve)) / period);
  return turns ? shifted(curve, turns * period) : curve;
}

/** `curve` less `reference` where both are known, at the reference's angles. */
export function difference(reference, curve) {
  const deg = [];
  const mm = [];
  reference.deg.forEach((angle, at) => {
    const other = interpolate(curve.deg, curve.mm, angle);
    if (Number.isFinite(other)) {
      deg.push(angle);
      mm.push(other - reference.mm[at]);
    }
  });
  return { deg, mm };
}

/** A curve at equal steps of `step` degrees, read off straight. */
export function resampled(curve, step) {
  const deg = [];
  const mm = [];
  const first = Math.ceil(curve.deg[0] / step) * step;
  for (let angle = first; angle <= curve.deg[curve.deg.length - 1]; angle += step) {
    deg.push(angle);
    mm.push(interpolate(curve.deg, curve.mm, angle));
  }
  return { deg, mm };
}

/**
 * Lift, velocity (mm a crank degree) and acceleration (mm a crank degree squared), by a local parabola over `reach`
 * degrees either side: differences of neighbours would show the rounding, not the cam.
 */
export function rates(curve, reach = 4, step = 1) {
  const even = resampled(curve, step);
  const side = Math.max(1, Math.round(reach / step));
  const velocity = [];
  const acceleration = [];
  let s2 = 0;
  let s4 = 0;
  for (let k = -side; k <= side; k += 1) {
    s2 += k ** 2;
    s4 += k ** 4;
  }
  const count = 2 * side + 1;
  const below = count * s4 - s2 ** 2;
  for (let at = 0; at < even.mm.length; at += 1) {
    if (at < side || at >= even.mm.length - side) {
      velocity.push(NaN);
      acceleration.push(NaN);
      continue;
    }
    let first = 0;
    let zeroth = 0;
    let second = 0;
    for (let k = -side; k <= side; k += 1) {
      const value = even.mm[at + k];
      first += k * value;
      zeroth += value;
      second += k * k * value;
    }
    velocity.push(first / s2 / step);
    acceleration.push((2 * (count * second - s2 * zeroth)) / below / step ** 2);
  }
  return { deg: even.deg, lift: even.mm, velocity, acceleration };
}

/**
 * What the raw streams show besides readings: `pauses` (the crank still for `pauseS` or longer), `reversals` (times at
 * which it turned round, by more than `deadDeg`) and `gaps` (no reading for `gapS` or longer while it should read).
 */
export function marks(timeS, deg, { pauseS = 0.7, deadDeg = 0.3, stillDeg = 0.15 } = {}) {
  const pauses = [];
  const reversals = [];
  let from = 0;
  for (let at = 1; at <= deg.length; at += 1) {
    if (at < deg.length && Math.abs(deg[at] - deg[from]) <= stillDeg) continue;
    const last = at - 1;
    // The pause lasts until the count moves on, not until the last equal count arrived.
    const end = at < deg.length ? timeS[at] : timeS[last];
    if (end - timeS[from] >= pauseS) pauses.push([timeS[from], end]);
    from = at;
  }
  let extreme = 0;
  let way = 0;
  for (let at = 1; at < deg.length; at += 1) {
    const gone = deg[at] - deg[extreme];
    if (way === 0 ? Math.abs(gone) > deadDeg : gone * way < -deadDeg) {
      if (way !== 0) reversals.push(timeS[extreme]);
      way = Math.sign(gone);
      extreme = at;
    } else if (gone * way > 0) extreme = at;
  }
  return { pauses, reversals };
}

/** A crank that has gone less than this has not been turned yet; a gauge that jumps meanwhile is being set. */
const STILL_DEG = 0.3;
const SET_MM = 0.1;

/**
 * Index of the first reading taken with the gauge in place: before the crank has moved at all, a gauge whose reading
 * jumps is still being carried over, and what it read until then belongs to no curve.
 */
export function settledFrom(crankDeg, gaugeMm) {
  let from = 0;
  for (let at = 1; at < crankDeg.length && Math.abs(crankDeg[at] - crankDeg[0]) < STILL_DEG; at += 1) {
    if (Math.abs(gaugeMm[at] - gaugeMm[at - 1]) > SET_MM) from = at;
  }
  return from;
}

/** Stretches without a reading: longer than five usual steps, and than half a second. */
export function gaps(timeS) {
  if (timeS.length < 3) return [];
  const steps = timeS.slice(1).map((time, at) => time - timeS[at]);
  const usual = [...steps].sort((a, b) => a - b)[Math.floor(steps.length / 2)];
  const limit = Math.max(0.5, 5 * usual);
  return steps.flatMap((step, at) => (step > limit ? [[timeS[at], timeS[at + 1]]] : []));
}

/** Sense (+1, -1) and offset that lay a fitted curve over raw gauge readings, whichever way the gauge counts. */
export function layOver(fit, points, period) {
  const curve = unrolled(fit.deg, fit.mm, period);
  const fitted = [];
  const read = [];
  const stride = Math.max(1, Math.floor(points.deg.length / 400));
  for (let at = 0; at < points.deg.length; at += stride) {
    const value = interpolate(
      curve.deg,
      curve.mm,
      curve.deg[0] + wrap(points.deg[at] - curve.deg[0], period),
    );
    if (!Number.isFinite(value)) continue;
    fitted.push(value);
    read.push(points.mm[at]);
  }
  if (fitted.length < 4) return { sense: 1, offset: 0 };
  const mean = (list) => list.reduce((sum, value) => sum + value, 0) / list.length;
  const [meanFit, meanRead] = [mean(fitted), mean(read)];
  const together = fitted.reduce((sum, value, at) => sum + (value - meanFit) * (read[at] - meanRead), 0);
  const sense = together < 0 ? -1 : 1;
  // The median: readings from before the gauge was set must not push the curve off the others.
  return { sense, offset: median(read.map((mm, at) => mm - sense * fitted[at])) };
}

function median(list) {
  const sorted = [...list].sort((a, b) => a - b);
  return sorted[Math.floor(sorted.length / 2)];
}

/** Angle on one flank where a curve passes `level`, from the top outwards; `NaN` where it never does. */
function crossing(curve, top, level, step) {
  for (let at = top; at + step >= 0 && at + step < curve.mm.length; at += step) {
    const [here, there] = [curve.mm[at], curve.mm[at + step]];
    if (here >= level && there < level)
      return curve.deg[at] + ((curve.deg[at + step] - curve.deg[at]) * (here - level)) / (here - there);
  }
  return NaN;
}

/** Pairs of equal lift read off a fitted curve, one a drop below its top; drops that leave the curve are left out. */
export function equalPairs(curve, drops) {
  if (curve.mm.length < 3) return [];
  const top = curve.mm.indexOf(Math.max(...curve.mm));
  return drops.flatMap((drop) => {
    const before = crossing(curve, top, curve.mm[top] - drop, -1);
    const after = crossing(curve, top, curve.mm[top] - drop, 1);
    if (!Number.isFinite(before) || !Number.isFinite(after)) return [];
    return [{ drop_mm: drop, before_deg: before, after_deg: after, midpoint_deg: (before + after) / 2 }];
  });
}
