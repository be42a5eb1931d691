/**
 * What a builder reads off a disc and a gauge by eye, from the text he types to what the server is sent. Pure.
 */

import { lengthTyped } from "./job_forms.js";
import { typed } from "./entries.js";

/** The lobes that may be entered at this step; none where it is true TDC that is wanted. */
export function handLobes(step) {
  return (step?.lobes ?? []).map((lobe) => ({
    value: `${lobe.valve} ${lobe.cylinder}`,
    valve: lobe.valve,
    cylinder: lobe.cylinder,
  }));
}

function pairOf(line, at, lobe, lengthKind) {
  const parts = line
    .trim()
    .split(/[\s;]+|,\s+/)
    .filter(Boolean);
  const [before, after] = parts.map(typed);
  const wanted = lobe ? 3 : 2;
  if (parts.length < 2 || parts.length > 3 || !Number.isFinite(before) || !Number.isFinite(after)) {
    throw new Error(
      `Line ${at + 1}, “${line.trim()}”, is no pair: write ` +
        (wanted === 3 ? "degrees before, degrees after and the drop" : "degrees before and degrees after") +
        ", with spaces between.",
    );
  }
  if (!lobe) return { before_deg: before, after_deg: after };
  const drop = lengthTyped(parts[2] ?? "", lengthKind);
  if (!Number.isFinite(drop))
    throw new Error(
      `Line ${at + 1} does not say how far below full lift the pair was taken: write it as the third number.`,
    );
  return { before_deg: before, after_deg: after, drop_mm: drop };
}

/** Pairs of equal readings out of typed lines; throws one sentence that names the line. */
export function pairsTyped(text, lobe, lengthKind) {
  return text
    .split("\n")
    .filter((line) => line.trim())
    .map((line, at) => pairOf(line, at, lobe, lengthKind));
}

/** Body of `POST /api/jobs/{id}/by_hand` for the step that is due. */
export function handEntry(values, step, choices) {
  const lobe = handLobes(step).find((one) => one.value === values.valve) ?? handLobes(step)[0] ?? null;
  const peak = lengthTyped(values.peak, choices.length);
  const division = typed(values.division);
  return {
    what: lobe ? "lobe" : "tdc",
    pairs: pairsTyped(values.pairs ?? "", lobe, choices.length),
    ...(lobe
      ? { cylinder: lobe.cylinder, valve: lobe.valve }
      : step?.cylinder
        ? { cylinder: step.cylinder }
        : {}),
    ...(Number.isFinite(peak) ? { peak_lift_mm: peak } : {}),
    ...(Number.isFinite(division) ? { disc_division_deg: division } : {}),
  };
}

/** Body of `POST /api/jobs/{id}/stroke`: on a disc nothing reads the crank, so it is said to stand at true TDC. */
export function strokeBody(job) {
  const checked = job.facts.filter(({ what }) => what.kind === "bench_checked").at(-1);
  return checked?.what.by_hand && Number.isFinite(job.tdc_deg) ? { crank_deg: job.tdc_deg } : {};
}
