import {
  benchNumber,
  benchStanding,
  copyLine,
  gaugeLine,
  isPage,
  jobAddress,
} from "/static/over_benches_view.js";
import { equal } from "./check.js";

const WORD = {
  reads: "live",
  label: "",
  number: null,
  unit: "",
  from_tdc: false,
  interval: null,
  readings: {},
};
const bench = (word, more = {}) => ({
  name: "east",
  word: word && { ...WORD, ...word },
  heard_s: 1,
  stale: false,
  waiting: 0,
  trouble: "",
  ...more,
});
const CHOICES = { length: "mm", angle: "atdc" };

export const tests = {
  "a bench is live, or stopped, or was never heard": () => {
    equal(benchStanding(bench({}))[1], "Bench live");
    equal(benchStanding(bench({ reads: "stopped" }))[0], "stop");
    equal(benchStanding(bench(null, { heard_s: null, stale: true })), ["quiet", "Never heard"]);
  },
  "a bench that is not heard says since when, whatever it said last": () =>
    equal(benchStanding(bench({}, { heard_s: 180, stale: true })), ["stop", "Not heard for 3 min"]),
  "its number is the one it shows itself": () => {
    const lobe = { number: 107.5, unit: "deg", from_tdc: true, interval: 0.12, label: "inlet 1" };
    equal(benchNumber(bench(lobe), CHOICES), { label: "inlet 1", text: "107.50° ATDC", interval: "± 0.12°" });
    const move = { number: 0.25, unit: "mm", label: "to go" };
    equal(benchNumber(bench(move), { ...CHOICES, length: "thou" }).text, "9.8\u00a0thou");
  },
  "without a number it is its crank, and without a crank nothing": () => {
    equal(benchNumber(bench({ readings: { crank: 725 } }), CHOICES).text, "5.0°");
    equal(benchNumber(bench({}), CHOICES), null);
    equal(benchNumber(bench(null), CHOICES), null);
  },
  "gauges are told by their plain names": () =>
    equal(gaugeLine(bench({ readings: { crank: 1, dial_a: 2.5 } }), "mm"), "dial a 2.50\u00a0mm"),
  "how far its copy is is said while it is not whole": () => {
    equal(copyLine(bench({})), "");
    equal(copyLine(bench({}, { waiting: 12000 })), "12,000 documents are still being copied.");
    equal(copyLine(bench({}, { trouble: "It is spoilt." })), "It is spoilt.");
  },
  "only pages of the web become links": () => {
    equal(
      ["http://10.0.0.7:8720", "https://bench.local/", "javascript:alert(1)", "", undefined].map(isPage),
      [true, true, false, false, false],
    );
    equal(jobAddress({ bench: "west", id: 4 }), "/of/west/jobs/4");
  },
};
