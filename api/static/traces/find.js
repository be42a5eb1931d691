/**
 * Which traces fit what is looked for. Pure.
 */

import { whatOf } from "./words.js";

/** The local day of a stamp, as a date field writes it. */
export function dayOf(stamp) {
  const date = new Date(stamp);
  const two = (number) => String(number).padStart(2, "0");
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())}`;
}

/** `asked` is `{words, what, day}`, each empty for "any"; every word must be found somewhere. */
export function matches(measurement, asked, jobReference = "") {
  if (asked.what === "tdc" && measurement.what !== "tdc") return false;
  if (["inlet", "exhaust"].includes(asked.what) && !measurement.touches.startsWith(asked.what)) return false;
  if (asked.day && dayOf(measurement.started_at) !== asked.day) return false;
  const text = [
    whatOf(measurement.touches),
    measurement.touches,
    measurement.gauge,
    jobReference,
    measurement.id,
    measurement.state,
  ]
    .join(" ")
    .toLowerCase();
  return asked.words
    .toLowerCase()
    .split(/\s+/)
    .filter(Boolean)
    .every((word) => text.includes(word));
}
