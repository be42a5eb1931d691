import {
  aligned,
  difference,
  equalPairs,
  gaps,
  inCamDegrees,
  interpolate,
  lastNotAbove,
  layOver,
  marks,
  rates,
  resampled,
  sameTurn,
  settledFrom,
  shifted,
  unrolled,
} from "/static/series.js";
import { equal, near, ok } from "./check.js";

const range = (from, to, step = 1) =>
  Array.from({ length: Math.round((to - from) / step) + 1 }, (_, at) => from + at * step);
const curveOf = (f, from, to, step = 1) => ({ deg: range(from, to, step), mm: range(from, to, step).map(f) });
const bump = (deg) => 9 * Math.exp(-((deg / 50) ** 2));

export const tests = {
  "what a gauge read while it was carried over belongs to no curve": () => {
    equal(settledFrom([10, 10, 10.05, 10.1, 20, 30], [0, 0, 3.2, 5.8, 6, 7]), 3);
    equal(settledFrom([10, 10, 10, 12], [5, 5.01, 5, 6]), 0);
    equal(settledFrom([], []), 0);
  },
  "a jump once the crank is turned is a reading like any other": () =>
    equal(settledFrom([10, 15, 20], [0, 0, 9]), 0),
  "a place is found by halving": () =>
    equal(
      [0, 1, 3.5, 9].map((value) => lastNotAbove([1, 2, 3, 4], value)),
      [-1, 0, 2, 3],
    ),
  "reading off is straight between and nothing outside": () => {
    equal(interpolate([0, 10], [0, 5], 4), 2);
    equal([interpolate([0, 10], [0, 5], -1), interpolate([0, 10], [0, 5], 11)].map(Number.isNaN), [
      true,
      true,
    ]);
    equal(interpolate([0, 10], [0, 5], 10), 5);
  },
  "a curve across the end of the turn is one curve": () => {
    const curve = unrolled([700, 710, 0, 10, 20], [1, 2, 3, 4, 5], 720);
    equal(
      [curve.deg, curve.mm],
      [
        [700, 710, 720, 730, 740],
        [1, 2, 3, 4, 5],
      ],
    );
  },
  "aligned curves have their centres on the first one's, by the shorter way": () => {
    const [first, second] = aligned(
      [
        { curve: curveOf(bump, -100, 100), centre: 0 },
        { curve: curveOf((deg) => bump(deg - 10), -90, 110), centre: 10 },
      ],
      720,
    );
    near(interpolate(second.deg, second.mm, 0), interpolate(first.deg, first.mm, 0), 1e-9);
    equal(
      aligned(
        [
          { curve: { deg: [0], mm: [0] }, centre: 355 },
          { curve: { deg: [0], mm: [0] }, centre: 5 },
        ],
        360,
      )[1].deg,
      [-10],
    );
  },
  "a curve a turn away is brought to the same turn": () =>
    equal(sameTurn({ deg: [0, 100], mm: [0, 0] }, { deg: [720, 820], mm: [0, 0] }, 720).deg, [0, 100]),
  "the difference of a curve with itself is nothing": () =>
    ok(difference(curveOf(bump, -50, 50), curveOf(bump, -50, 50)).mm.every((mm) => mm === 0)),
  "a difference is told only where both are known": () =>
    equal(difference(curveOf(bump, 0, 10), curveOf(bump, 5, 30)).deg, [5, 6, 7, 8, 9, 10]),
  "a later lobe differs by its slope": () => {
    const later = difference(curveOf(bump, -100, 100), shifted(curveOf(bump, -110, 110), 0.5));
    const at = later.deg.indexOf(35);
    near(later.mm[at], bump(34.5) - bump(35), 1e-3);
  },
  "cam degrees are half": () => equal(inCamDegrees({ deg: [10, 20], mm: [1, 2] }).deg, [5, 10]),
  "resampling stands on whole steps": () =>
    equal(resampled({ deg: [0.5, 3.5], mm: [0.5, 3.5] }, 1), { deg: [1, 2, 3], mm: [1, 2, 3] }),
  "rates of a parabola are exact": () => {
    const { velocity, acceleration, deg } = rates(
      curveOf((x) => 5 - 0.002 * x * x, -60, 60),
      4,
      1,
    );
    const at = deg.indexOf(20);
    near(velocity[at], -0.08, 1e-9);
    near(acceleration[at], -0.004, 1e-9);
  },
  "rates of a cycloidal rise peak as the handbook says": () => {
    // Norton, Cam Design and Manufacturing Handbook: velocity factor 2, acceleration factor 6.2832 (recomputed).
    const rise = 120;
    const h = 9;
    const { velocity, acceleration } = rates(
      curveOf((x) => h * (x / rise - Math.sin((2 * Math.PI * x) / rise) / (2 * Math.PI)), 0, rise, 0.25),
      1,
      0.25,
    );
    near(Math.max(...velocity.filter(Number.isFinite)) * (rise / h), 2, 0.01);
    near(Math.max(...acceleration.filter(Number.isFinite)) * (rise ** 2 / h), 6.2832, 0.05);
  },
  "at the ends no rate is told": () =>
    ok(
      rates(curveOf(bump, 0, 40), 4, 1)
        .velocity.slice(0, 4)
        .every(Number.isNaN),
    ),
  "pauses and reversals are found, wandering is not": () => {
    const time = range(0, 12, 0.05);
    const deg = time.map(
      (t) =>
        (t < 3 ? 30 * t : t < 5 ? 90 : t < 8 ? 90 + 30 * (t - 5) : 180 - 30 * (t - 8)) +
        0.05 * Math.sin(40 * t),
    );
    const { pauses, reversals } = marks(time, deg);
    equal([pauses.length, reversals.length], [1, 1]);
    near(pauses[0][0], 3, 0.3);
    near(pauses[0][1], 5, 0.3);
    near(reversals[0], 8, 0.1);
  },
  "a crank that sent nothing while it stood still has paused": () => {
    const { pauses } = marks([0, 0.1, 0.2, 3.2, 3.3], [0, 3, 6, 6.2, 9]);
    equal(pauses.length, 1);
  },
  "steady turning has no pause and no reversal": () =>
    equal(marks(range(0, 5, 0.05), range(0, 100)), { pauses: [], reversals: [] }),
  "a gap is what is much longer than usual": () => equal(gaps([0, 0.1, 0.2, 2.5, 2.6, 2.7]), [[0.2, 2.5]]),
  "a slow gauge has no gaps": () => equal(gaps(range(0, 10, 1)), []),
  "a fit is laid over a gauge that counts the other way": () => {
    const fit = curveOf(bump, -120, 120);
    const read = { deg: range(-100, 100, 2), mm: range(-100, 100, 2).map((deg) => 11.1 - bump(deg)) };
    const { sense, offset } = layOver(fit, read, 720);
    equal(sense, -1);
    near(offset, 11.1, 1e-6);
  },
  "equal readings straddle the top of a symmetric lobe": () => {
    const [pair] = equalPairs(curveOf(bump, -120, 120, 0.5), [1.27]);
    near(pair.midpoint_deg, 0, 1e-9);
    near(bump(pair.before_deg), 9 - 1.27, 0.01);
  },
  "a drop that leaves the curve has no pair": () => equal(equalPairs(curveOf(bump, -20, 20), [8]), []),
};
