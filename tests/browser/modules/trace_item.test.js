import { about, encoderTurned, itemFrom, periodOf, readAt, residualsOf, topOf } from "/static/trace_item.js";
import { equal, near, ok } from "./check.js";

const lift = (deg) => 9 * Math.exp(-((deg / 55) ** 2));
const range = (from, to, step) =>
  Array.from({ length: Math.round((to - from) / step) + 1 }, (_, at) => from + at * step);

/** A lobe at 472 of 720 (112 ATDC seen from the other TDC), read by a gauge that counts down. */
function stored(centre = 472) {
  const crank = range(0, 1440, 5);
  const near_ = (deg) => lift(((((deg - centre + 360) % 720) + 720) % 720) - 360);
  return [
    { id: 4, what: "lobe", touches: "inlet_1", result: { centre_deg: centre, u95_deg: 0.1 }, detail: {} },
    {
      what: "lobe",
      zero_deg: 0,
      lag_s: 0.05,
      time_s: crank.map((deg) => deg / 30),
      crank_deg: crank,
      true_deg: crank,
      gauge_mm: crank.map((deg) => 11 - near_(deg)),
      way: crank.map(() => 1),
      passes: [],
      equal_readings: [],
      curve: { crank_deg: range(0, 719, 1), lift_mm: range(0, 719, 1).map(near_), u_mm: [] },
      crank: { time_s: [0, 1], value: [0, 30], readings: 2 },
      gauge: { time_s: [0, 1], value: [1, 2], readings: 2 },
    },
  ];
}

export const tests = {
  "a piston turns once in 360, a cam once in 720": () =>
    equal([periodOf("tdc"), periodOf("lobe")], [360, 720]),
  "angles gather about a centre": () =>
    equal([about(710, 0, 720), about(10, 0, 720), about(350, 355, 360)], [-10, 10, 350]),
  "a lobe is told from the TDC nearest to it": () => {
    const item = itemFrom(...stored());
    near(item.centre, 112);
    const top = item.curve.deg[item.curve.mm.indexOf(Math.min(...item.curve.mm))];
    near(top, 112, 1);
  },
  "a fitted curve is read off at any angle, of whichever turn": () => {
    const item = itemFrom(...stored());
    near(readAt([item], 112)[0].mm, 9, 0.01);
    near(readAt([item], 112 + 720 + 30)[0].mm, lift(30), 0.05);
  },
  "readings of both turns fall on one lobe": () => {
    const item = itemFrom(...stored());
    ok(Math.min(...item.points.deg) >= 112 - 360 && Math.max(...item.points.deg) < 112 + 360);
  },
  "a gauge that counts down has its top at its least reading": () => {
    const item = itemFrom(...stored());
    equal(item.top.sense, -1);
    near(item.top.mm, 2, 0.05);
    near(item.base, 11, 0.05);
  },
  "equal readings are read off the fit where none are told": () => {
    const item = itemFrom(...stored());
    const pair = item.pairs.find((one) => one.drop_mm === 1.27);
    near(pair.midpoint_deg, 112, 0.3);
  },
  "residuals of what was drawn from the fit are nothing": () => {
    const item = itemFrom(...stored());
    ok(residualsOf(item).mm.every((mm) => Math.abs(mm) < 0.05));
  },
  "the way back is left out of a lobe's residuals": () => {
    const [measurement, trace] = stored();
    trace.way = trace.way.map((_, at) => (at % 2 ? -1 : 1));
    const item = itemFrom(measurement, trace);
    ok(residualsOf(item).deg.length <= trace.way.length / 2 + 1);
  },
  "a refused trace still has points and no centre": () => {
    const [measurement, trace] = stored();
    const item = itemFrom({ ...measurement, result: null, detail: null }, { ...trace, curve: null });
    equal([Number.isNaN(item.centre), item.curve, item.pairs.length], [true, null, 0]);
    ok(item.points.deg.length > 0);
  },
  "an encoder turned round is told by the two TDCs": () => {
    const at = (tdc_deg, touches = "inlet_1") => ({
      what: "lobe",
      touches,
      result: {},
      settings: { tdc_deg },
    });
    equal(
      [at(190), at(20), at(190, "inlet_2"), { ...at(190), result: null }].map((one) =>
        encoderTurned(at(10), one),
      ),
      [true, false, false, false],
    );
  },
  "the top of a gauge that counts up is its greatest reading": () =>
    equal(topOf({ deg: [-10, 0, 10], mm: [0, 5, 0] }, 0), { sense: 1, mm: 5 }),
};
