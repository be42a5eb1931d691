/**
 * From what the shop says of its benches to what a person is shown. All pure.
 */

import { age, centreAngle, decimalsFor, digits, joined, lengthParts, plainAngle, wrap } from "./units.js";
import { plainName } from "./words.js";

const READS = {
  live: ["live", "Bench live"],
  partly: ["mind", "An instrument is silent"],
  stopped: ["stop", "Bench stopped"],
  none: ["quiet", "No instruments"],
};

/** How a bench stands: a shape and a few words. What was not heard lately says nothing of now. */
export function benchStanding(bench) {
  if (bench.heard_s === null || !bench.word) return ["quiet", "Never heard"];
  if (bench.stale) return ["stop", `Not heard for ${age(bench.heard_s)}`];
  return READS[bench.word.reads];
}

/** The bench's own number, else its crank; `null` where it has said none. */
export function benchNumber(bench, choices) {
  const { word } = bench;
  if (!word) return null;
  if (word.number !== null) {
    const mm = word.unit === "mm";
    const decimals = word.interval === null ? 2 : decimalsFor(word.interval);
    const angle = word.from_tdc
      ? centreAngle(word.number, choices.angle, decimals)
      : plainAngle(word.number, decimals);
    const parts = mm ? lengthParts(word.number, choices.length) : angle;
    const unit = word.unit ? parts.unit : "";
    return {
      label: word.label,
      text: joined({ ...parts, unit }),
      interval: intervalOf(word, choices.length),
    };
  }
  const crank = word.readings.crank;
  if (crank === undefined) return null;
  return { label: "Crank, on the encoder", text: joined(plainAngle(wrap(crank, 360), 1)), interval: "" };
}

function intervalOf(word, kind) {
  if (word.interval === null) return "";
  return word.unit === "mm"
    ? `± ${lengthParts(word.interval, kind).digits}`
    : `± ${digits(word.interval, decimalsFor(word.interval))}°`;
}

/** What the gauges read, in a line. */
export function gaugeLine(bench, kind) {
  return Object.entries(bench.word?.readings ?? {})
    .filter(([name]) => name !== "crank")
    .map(([name, mm]) => `${plainName(name)} ${joined(lengthParts(mm, kind))}`)
    .join(", ");
}

/** How far the copy of a bench is, where it is worth saying. */
export function copyLine(bench) {
  if (bench.trouble) return bench.trouble;
  return bench.waiting ? `${bench.waiting.toLocaleString("en-GB")} documents are still being copied.` : "";
}

/** The address of a job's page. */
export const jobAddress = (line) => `/of/${line.bench}/jobs/${line.id}`;

/** Only an address of the web is made a link: it is what a bench says, not what we know. */
export const isPage = (address) => /^https?:\/\/[^\s"'<>]+$/.test(address ?? "");
