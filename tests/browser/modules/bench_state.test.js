import { EMPTY, crankChannel, gaugeChannels, isAlive, joinPoints, next } from "/static/bench_state.js";
import { equal, ok } from "./check.js";

const channel = (name, quantity, state = "online") => ({
  name,
  quantity,
  state,
  age_s: 0,
  rate_hz: 10,
  accepted: 1,
  rejected: 0,
  sentence: "",
  last_lines: [],
});
const measurement = (id, more = {}) => ({
  id,
  job_id: null,
  what: "tdc",
  touches: "piston_1",
  gauge: "dial_a",
  state: "running",
  started_at: "",
  result: null,
  sentence: "",
  ...more,
});
const hello = (more = {}) => ({
  kind: "hello",
  version: "1",
  run_id: 1,
  latest: {},
  channels: [channel("crank", "crank"), channel("dial_a", "gauge")],
  recorder: null,
  measurement: null,
  guide: { sentence: "" },
  ...more,
});
const points = (first, degrees) => ({
  measurement_id: 1,
  first,
  crank_deg: degrees,
  gauge_mm: degrees,
  way: degrees.map(() => 1),
});

export const tests = {
  "a hello fills everything": () => {
    const state = next(EMPTY, hello());
    equal([crankChannel(state).name, gaugeChannels(state).length, state.captureAlive], ["crank", 1, true]);
  },
  "points are joined where they belong": () => {
    let known = joinPoints(null, points(0, [1, 2]));
    known = joinPoints(known, points(2, [3]));
    equal(known.crankDeg, [1, 2, 3]);
  },
  "points that were seen already are not drawn twice": () =>
    equal(joinPoints(joinPoints(null, points(0, [1, 2])), points(1, [2, 3])).crankDeg, [1, 2, 3]),
  "a hole in the points is noticed": () =>
    ok(joinPoints(joinPoints(null, points(0, [1])), points(5, [6])).missing),
  "points begun anew replace the old": () =>
    equal(joinPoints(joinPoints(null, points(0, [1, 2])), points(0, [9])).crankDeg, [9]),
  "another measurement's points start afresh": () =>
    equal(
      joinPoints(joinPoints(null, points(0, [1, 2])), { ...points(0, [7]), measurement_id: 2 }).crankDeg,
      [7],
    ),
  "a refusal takes the number away": () => {
    let state = next(EMPTY, hello({ measurement: measurement(1) }));
    state = next(state, {
      kind: "centre",
      measurement_id: 1,
      result: { centre_deg: 4, u95_deg: 0.1 },
      error: null,
      curve_deg: [1],
      curve_mm: [2],
    });
    equal(state.result.centre_deg, 4);
    state = next(state, {
      kind: "centre",
      measurement_id: 1,
      result: null,
      error: { code: "one_side_only", message: "Turn on." },
      curve_deg: [],
      curve_mm: [],
    });
    equal([state.result, state.fit, state.error.code], [null, null, "one_side_only"]);
  },
  "a screen that comes late has the number and the curve at once": () => {
    const centre = {
      kind: "centre",
      measurement_id: 1,
      result: { centre_deg: 4, u95_deg: 0.1 },
      error: null,
      curve_deg: [1],
      curve_mm: [2],
    };
    const state = next(EMPTY, hello({ measurement: measurement(1), centre }));
    equal([state.result.centre_deg, state.fit], [4, { deg: [1], mm: [2] }]);
    equal(next(EMPTY, hello({ measurement: measurement(2), centre })).fit, null);
  },
  "another measurement's centre is not shown": () => {
    const state = next(next(EMPTY, hello({ measurement: measurement(2) })), {
      kind: "centre",
      measurement_id: 1,
      result: { centre_deg: 4 },
      curve_deg: [],
      curve_mm: [],
    });
    equal(state.result, null);
  },
  "a new measurement begins with nothing of the old": () => {
    let state = next(EMPTY, hello({ measurement: measurement(1) }));
    state = next(state, { kind: "readings", latest: {}, points: points(0, [1, 2]) });
    state = next(state, { kind: "measurement", measurement: measurement(2) });
    equal([state.points, state.result, state.zeroDeg], [null, null, 0]);
  },
  "true TDC is known once measured, and forgotten with the run": () => {
    let state = next(EMPTY, hello());
    state = next(state, {
      kind: "measurement",
      measurement: measurement(1, { state: "finished", result: { centre_deg: 154.5, u95_deg: 0.03 } }),
    });
    equal(state.tdcDeg, 154.5);
    equal(next(state, hello()).tdcDeg, 154.5);
    equal(next(state, hello({ run_id: 2 })).tdcDeg, null);
  },
  "a message of an unknown kind changes nothing": () => equal(next(EMPTY, { kind: "of tomorrow" }), EMPTY),
  "events are kept newest first, twenty of them": () => {
    let state = EMPTY;
    for (let at = 0; at < 25; at += 1) state = next(state, { kind: "event", sentence: String(at) });
    equal([state.events.length, state.events[0].sentence], [20, "24"]);
  },
  "only a channel that is online is alive": () =>
    equal(
      [isAlive(channel("a", "gauge")), isAlive(channel("a", "gauge", "silent")), isAlive(null)],
      [true, false, false],
    ),
};
