/**
 * An instrument as a person wants to know it: what it is, whether it lives, how late it is. Pure.
 */

import { age, digits } from "./units.js";

/** The newest lag of each gauge, out of finished measurements of true TDC: `{gauge: {lagS, at, id}}`. */
export function lagsFrom(measurements) {
  const lags = {};
  for (const one of measurements) {
    if (one.what !== "tdc" || one.state !== "finished" || !Number.isFinite(one.result?.lag_s)) continue;
    if (!lags[one.gauge] || one.started_at > lags[one.gauge].at)
      lags[one.gauge] = { lagS: one.result.lag_s, at: one.started_at, id: one.id };
  }
  return lags;
}

const SPEC_WORDS = {
  port: "Port",
  baud: "Baud",
  framing: "Framing",
  frame: "Frame",
  counts_per_turn: "Counts a turn",
  direction: "Counts",
  unit: "Sends",
  sign: "Sign",
  step_mm: "Step",
  error_mm: "Limit of error",
  retrace_mm: "Limit of retrace",
  error_deg: "Limit of error",
  request: "Asked with",
  request_interval_s: "Asked about every",
};

function specValue(name, value) {
  if (name === "direction") return value < 0 ? "against the running direction" : "with the running direction";
  if (name === "sign") return value < 0 ? "turned round" : "as sent";
  if (name.endsWith("_mm")) return `${value} mm`;
  if (name.endsWith("_deg")) return `${value}° over its turn`;
  if (name.endsWith("_s")) return `${value} s`;
  return JSON.stringify(value).replaceAll('"', "");
}

/** Name and value of what the bench file says of an instrument, as far as it is told. */
export function specRows(spec) {
  const none = spec?.quantity === "crank" ? ["unit", "sign"] : ["counts_per_turn", "direction"];
  if (!spec?.request) none.push("request_interval_s"); // it speaks by itself
  const supposed = spec?.supposed ?? {};
  const told = { ...supposed, ...spec };
  return Object.entries(SPEC_WORDS)
    .filter(([name]) => !none.includes(name))
    .filter(([name]) => told[name] !== undefined && told[name] !== null && told[name] !== "")
    .map(([name, words]) => [
      words,
      specValue(name, told[name]) + (name in supposed ? ", supposed: the bench file states none" : ""),
    ]);
}

/** Name and value of how it is doing. */
export function healthRows(channel) {
  return [
    ["Readings a second", digits(channel.rate_hz, channel.rate_hz < 10 ? 1 : 0)],
    ["Taken", String(channel.accepted)],
    ["Rejected", String(channel.rejected)],
    ["Last one", channel.age_s === null ? "never" : `${age(channel.age_s)} ago`],
  ];
}
