/**
 * A stored trace as the drawings want it, out of what the server sends. Pure.
 *
 * Angles are unrolled about the centre, so that a dwell across zero is one dwell, and so that an inlet and an exhaust
 * lobe stand on one axis, after and before TDC.
 */

import { equalPairs, interpolate, layOver, settledFrom, unrolled } from "./series.js";
import { wrap, wrapSigned } from "./units.js";
import { whatOf } from "./words.js";

/** Drops at which equal readings are read off a fitted lobe that tells none. */
const DROPS = [0.5, 1.27, 2, 4];

export function periodOf(what) {
  return what === "tdc" ? 360 : 720;
}

/** An angle on the turn that has `centre` in its middle. */
export function about(deg, centre, period) {
  return centre - period / 2 + wrap(deg - centre + period / 2, period);
}

/** The same for a result's angles, of which `told` is the centre: it may have been placed a turn away. */
function placing(told, placed, period) {
  return (deg) => placed + about(deg, told, period) - told;
}

function curveAbout(curve, turn) {
  if (!curve) return null;
  const pairs = curve.crank_deg.map((deg, at) => [turn(deg), curve.lift_mm[at]]);
  pairs.sort((a, b) => a[0] - b[0]);
  return { deg: pairs.map(([deg]) => deg), mm: pairs.map(([, mm]) => mm) };
}

/** The middle of what was read, for a trace without a number. */
function middleOf(degrees, period) {
  const curve = unrolled(degrees, degrees, period);
  return curve.deg.length ? (curve.deg[0] + curve.deg[curve.deg.length - 1]) / 2 : 0;
}

/** One item, from `GET /api/measurements/{id}` and its `/trace`. */
export function itemFrom(measurement, trace) {
  const period = periodOf(measurement.what);
  const { result } = measurement;
  const detail = measurement.detail ?? {};
  // A lobe is told before or after the TDC nearest to it; a piston's TDC is a place on the encoder.
  const placed = (deg) => (measurement.what === "lobe" ? wrapSigned(deg, 360) : wrap(deg, period));
  const centre = result ? placed(result.centre_deg) : NaN;
  const told = result ? result.centre_deg : middleOf(trace.true_deg, period);
  const middle = placed(told);
  const turn = placing(told, middle, period);
  const from = settledFrom(trace.true_deg, trace.gauge_mm);
  const points = {
    deg: trace.true_deg.slice(from).map(turn),
    mm: trace.gauge_mm.slice(from),
    atS: trace.time_s.slice(from),
    way: trace.way.slice(from),
  };
  const lift = curveAbout(trace.curve, turn);
  const laid = lift ? layOver(lift, points, period) : { sense: 1, offset: 0 };
  const curve = lift ? { deg: lift.deg, mm: lift.mm.map((mm) => laid.offset + laid.sense * mm) } : null;
  const seen = detail.equal_readings ?? trace.equal_readings ?? [];
  const pairs = seen.length || !lift ? seen.map((pair) => pairAbout(pair, turn)) : equalPairs(lift, DROPS);
  return {
    id: measurement.id,
    what: measurement.what,
    touches: measurement.touches,
    title: `${whatOf(measurement.touches)}, no. ${measurement.id}`,
    period,
    points,
    lift,
    pairs,
    result,
    detail,
    settings: measurement.settings ?? {},
    centre,
    turn,
    u95: result?.u95_deg ?? NaN,
    curve,
    top: curve ? topOf(curve, centre) : null,
    base: curve ? laid.offset : 0,
    streams: {
      crankS: trace.crank.time_s,
      crankDeg: trace.crank.value,
      gaugeS: trace.gauge.time_s,
      gaugeMm: trace.gauge.value,
    },
  };
}

/** The same item, named with the bench it was measured at: `west:12`. */
export function fromElsewhere(item, name) {
  const [bench, number] = name.split(":");
  return { ...item, id: name, title: `${whatOf(item.touches)}, ${bench} no. ${number}` };
}

/** Where the dwell's end stands in gauge readings, and whether the gauge reads more (+1) or less (-1) there. */
export function topOf(curve, centre) {
  const mean = curve.mm.reduce((sum, mm) => sum + mm, 0) / curve.mm.length;
  const sense = interpolate(curve.deg, curve.mm, centre) < mean ? -1 : 1;
  return { sense, mm: curve.mm.reduce((most, mm) => (sense * mm > sense * most ? mm : most), curve.mm[0]) };
}

/** Whether two measurements of one lobe were made with the encoder turned by about half a turn, as their TDCs tell. */
export function encoderTurned(first, second) {
  const both = [first, second];
  if (first.touches !== second.touches || both.some((one) => one.what !== "lobe" || !one.result))
    return false;
  const turned = wrap((second.settings.tdc_deg ?? 0) - (first.settings.tdc_deg ?? 0), 360);
  return turned >= 120 && turned <= 240;
}

function pairAbout(pair, turn) {
  return {
    drop_mm: pair.drop_mm,
    before_deg: turn(pair.before_deg),
    after_deg: turn(pair.after_deg),
    midpoint_deg: turn(pair.midpoint_deg),
  };
}

/** What each fitted curve lifts at an angle from TDC: `{title, mm}`, `NaN` where that curve was not read. */
export function readAt(items, deg) {
  return items.map((item) => ({
    title: item.title,
    mm: interpolate(item.lift.deg, item.lift.mm, about(deg, item.centre, item.period)),
  }));
}

/** Readings less the fitted curve; a lobe's way back is left out, for it shows the slack and not the fit. */
export function residualsOf(item) {
  const deg = [];
  const mm = [];
  const way = [];
  item.points.deg.forEach((angle, at) => {
    if (item.what === "lobe" && item.points.way?.[at] < 0) return;
    const fitted = interpolate(item.curve.deg, item.curve.mm, angle);
    if (!Number.isFinite(fitted)) return;
    deg.push(angle);
    mm.push(item.points.mm[at] - fitted);
    way.push(item.points.way?.[at] ?? 0);
  });
  return { deg, mm, way };
}
