import { EMPTY } from "/static/bench_state.js";
import { followZero } from "/static/zero.js";
import { equal, pause } from "./check.js";

async function after(measurement, answer) {
  const real = window.fetch;
  window.fetch = async () => new Response(JSON.stringify(answer), { status: 200 });
  const bench = Object.assign(new EventTarget(), { now: { ...EMPTY, measurement } });
  followZero(bench, () => {});
  bench.dispatchEvent(new Event("change"));
  await pause(20);
  window.fetch = real;
  return bench.now;
}

export const tests = {
  "a lobe counts from the true TDC it was told from": async () => {
    const now = await after({ id: 1, what: "lobe" }, { settings: { tdc_deg: 154.5 } });
    equal([now.zeroDeg, now.tdcDeg], [154.5, 154.5]);
  },
  "a piston counts on the encoder": async () =>
    equal((await after({ id: 1, what: "tdc" }, { settings: { tdc_deg: 9 } })).zeroDeg, 0),
  "a lobe without a known TDC counts on the encoder": async () => {
    const now = await after({ id: 1, what: "lobe" }, { settings: {} });
    equal([now.zeroDeg, now.tdcDeg], [0, null]);
  },
};
