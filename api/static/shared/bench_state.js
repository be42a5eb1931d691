/**
 * What a live screen knows, as a plain value; every message of the bench gives the next one. All pure.
 */

export const EMPTY = {
  latest: {},
  channels: [],
  recorder: null,
  captureAlive: false,
  benchSentence: "",
  measurement: null,
  guide: null,
  result: null,
  error: null,
  fit: null,
  points: null,
  events: [],
  run: null,
  /** Encoder angle that the measurement's result is told from; 0 while none is known. */
  zeroDeg: 0,
  /** Encoder angle of true TDC in this run, `null` while it has not been found. */
  tdcDeg: null,
};

const KEPT_EVENTS = 20;

export function emptyPoints(id) {
  return { id, first: 0, crankDeg: [], gaugeMm: [], way: [] };
}

/**
 * Points of a measurement joined to those already here. `first` says where they belong; a gap means that this screen
 * missed some (it slept), and `missing` asks the page to fetch the whole.
 */
export function joinPoints(known, fresh) {
  const start = known && known.id === fresh.measurement_id ? known : emptyPoints(fresh.measurement_id);
  const have = start.crankDeg.length;
  if (fresh.first > have) return { ...start, missing: true };
  const keep = fresh.first === 0 ? emptyPoints(fresh.measurement_id) : start;
  const skip = keep.crankDeg.length - fresh.first;
  // Grown in place: a curve of thousands of points is not copied sixty times a second.
  for (let at = skip; at < fresh.crank_deg.length; at += 1) {
    keep.crankDeg.push(fresh.crank_deg[at]);
    keep.gaugeMm.push(fresh.gauge_mm[at]);
    keep.way.push(fresh.way[at] ?? 0);
  }
  return keep === start ? { ...keep } : keep;
}

/** True TDC as this measurement found it, or what was known before. */
function tdcAfter(state, measurement) {
  const found =
    measurement?.what === "tdc" && measurement.state === "finished" ? measurement.result?.centre_deg : null;
  return found ?? state.tdcDeg;
}

function startOver(state, measurement) {
  const same = state.measurement && measurement && state.measurement.id === measurement.id;
  const next = { ...state, measurement, tdcDeg: tdcAfter(state, measurement) };
  if (same) return measurement.result ? { ...next, result: measurement.result, error: null } : next;
  return { ...next, result: measurement?.result ?? null, error: null, fit: null, points: null, zeroDeg: 0 };
}

const STEPS = {
  hello(state, message) {
    const next = {
      ...state,
      latest: message.latest,
      channels: message.channels,
      recorder: message.recorder,
      captureAlive: message.channels.length > 0,
      guide: message.guide,
      run: message.run_id,
      // Another run has another zero: the counter began anew.
      tdcDeg: state.run === message.run_id ? state.tdcDeg : null,
    };
    const begun = startOver(next, message.measurement);
    return message.centre ? STEPS.centre(begun, message.centre) : begun;
  },
  readings(state, message) {
    const latest = { ...state.latest, ...message.latest };
    if (!message.points) return { ...state, latest };
    return { ...state, latest, points: joinPoints(state.points, message.points) };
  },
  health(state, message) {
    return {
      ...state,
      channels: message.channels,
      recorder: message.recorder,
      captureAlive: message.capture_alive,
      benchSentence: message.sentence,
    };
  },
  centre(state, message) {
    if (state.measurement && state.measurement.id !== message.measurement_id) return state;
    const fit = message.curve_deg?.length ? { deg: message.curve_deg, mm: message.curve_mm } : state.fit;
    // A refusal of this moment takes the number away: an old centre must not stand beside it.
    return {
      ...state,
      result: message.result ?? null,
      error: message.error ?? null,
      fit: message.result ? fit : null,
    };
  },
  measurement(state, message) {
    return startOver(state, message.measurement);
  },
  guide(state, message) {
    return { ...state, guide: message };
  },
  event(state, message) {
    return { ...state, events: [message, ...state.events].slice(0, KEPT_EVENTS) };
  },
};

/** The next state; a message of an unknown kind (a newer server) changes nothing. */
export function next(state, message) {
  const step = STEPS[message.kind];
  return step ? step(state, message) : state;
}

export function crankChannel(state) {
  return state.channels.find((channel) => channel.quantity === "crank") ?? null;
}

export function gaugeChannels(state) {
  return state.channels.filter((channel) => channel.quantity === "gauge");
}

/** Words of capture that mean "readings are coming". */
const ALIVE = new Set(["online", "live", "ok"]);

export function isAlive(channel) {
  return Boolean(channel) && ALIVE.has(channel.state);
}
