/**
 * A job in words and shapes, out of what the server tells of it. Pure.
 */

import { centreAngle, digits, joined, length } from "./units.js";
import { plainName } from "./words.js";

const STANDINGS = {
  done: ["live", "done"],
  now: ["do", "now"],
  blocked: ["stop", "blocked"],
  skipped: ["mind", "left out"],
  open: ["quiet", "to come"],
};

/** Shape and word of a step's standing. */
export function standingOf(step) {
  // A step that only waits for those before it is nothing to be alarmed by.
  if (step.state === "blocked" && !step.code) return ["quiet", "waits"];
  return STANDINGS[step.state] ?? ["quiet", step.state];
}

const CALLS = { in: ["there", "in"], out: ["stop", "out"], cannot_tell: ["mind", "cannot tell"] };

export function callOf(verdict) {
  return verdict ? (CALLS[verdict.call] ?? ["quiet", plainName(verdict.call)]) : ["quiet", "not compared"];
}

const STAGES = { as_found: "as found", moved: "after moving", nipped: "nipped up", torqued: "torqued" };

export function stageWords(stage) {
  return STAGES[stage] ?? plainName(stage);
}

/** "1.24° late", "0.30° early", "on the number". */
export function errorWords(errorDeg) {
  if (!Number.isFinite(errorDeg)) return "–";
  const told = digits(Math.abs(errorDeg), 2);
  return Number(told) === 0 ? "on the number" : `${told}° ${errorDeg > 0 ? "late" : "early"}`;
}

const DECISIONS = {
  correct: "to be corrected",
  leave: "to be left as it is",
  measure_again: "to be measured again",
};

/** A single cam bears the word as its name. */
const camWords = (name) => (name === "cam" ? "cam" : `${name} cam`);

const FACTS = {
  bench_checked: (what) =>
    `bench checked${what.turn_deg ? `, ${digits(what.turn_deg, 2)}° from TDC to TDC` : ""}`,
  fitted_up: (what) => `fitted up: ${what.lines.join(" ")}`,
  clearance_noted: (what, choices) =>
    `${what.valve} valve ${what.cylinder}: clearance ${length(what.clearance_mm, choices.length)}`,
  tdc_measured: (what) =>
    `true TDC, piston ${what.cylinder}: ${digits(what.centre_deg, 2)}° ± ${digits(what.u95_deg, 2)}°`,
  stroke_found: (what) =>
    `overlap TDC found: ${what.how === "both valves open" ? "both valves rocking" : what.how}`,
  lobe_measured: (what, choices) =>
    `${what.valve} lobe ${what.cylinder}: ` +
    `${joined(centreAngle(what.centre_deg, choices.angle))} ± ${digits(what.u95_deg, 2)}°`,
  decided: (what) => `${camWords(what.cam)} ${DECISIONS[what.decision] ?? plainName(what.decision)}`,
  moved: (what) =>
    `${camWords(what.cam)} moved (${plainName(what.way)})` +
    (Number.isFinite(what.asked_deg) ? `, asked for ${errorWords(what.asked_deg)}` : ""),
  tightened: (what) =>
    `${camWords(what.cam)} ${stageWords(what.to)}` +
    (what.torque_nm ? ` to ${what.torque_nm} Nm` : "") +
    (what.locking ? `, ${what.locking}` : ""),
  piston_clearance_found: (what, choices) =>
    `${what.valve} valve to piston: least ${length(what.least_mm, choices.length)}`,
  valves_apart_found: (what, choices) =>
    `inlet to exhaust valve ${what.cylinder}: least ${length(what.least_mm, choices.length)}`,
  skipped: (what, _choices, title) => `left out: ${title(what.step)}`,
  went_back: (what, _choices, title) => `went back to ${title(what.step)}`,
  withdrawn: (what) => `line ${what.number} withdrawn`,
  own_decision: (what, _choices, title) => `own decision at ${title(what.step)}`,
  noted: (what) => what.text,
  part_measured: (what) => `${what.part}: ${what.words}`,
  signed_off: (what) => `signed${what.statement ? `: ${what.statement}` : ""}`,
};

/** One line of what happened, with its reason where it has one; `steps` are those of the job, named by their titles. */
export function factWords(fact, choices, steps = []) {
  const title = (id) => steps.find((step) => step.id === id)?.title ?? plainName(id);
  const { what } = fact;
  const words = (FACTS[what.kind] ?? (() => plainName(what.kind)))(what, choices, title);
  const reason = what.reason ? `. Reason: ${what.reason}` : "";
  const trace = what.measurement_id ? Number(what.measurement_id) || null : null;
  return { words: words + reason, trace, byHand: Boolean(what.by_hand) };
}

/** Newest and first measurement of each lobe, for the drawing of all lobes side by side. */
export function lobeTracks(cams) {
  const tracks = new Map();
  for (const cam of cams) {
    for (const one of cam.measured) {
      if (!one.verdict) continue;
      const name = `${one.valve} ${one.cylinder}`;
      const track = tracks.get(name) ?? { name, marks: [], tolerance: one.verdict.tolerance_deg };
      track.marks.push({ stage: one.stage, error: one.verdict.error_deg, u95: one.verdict.u95_deg });
      tracks.set(name, track);
    }
  }
  return [...tracks.values()];
}

/** Half width in degrees of the rule on which errors are drawn: all marks and twice the tolerance fit. */
export function ruleReach(tracks) {
  const reaches = tracks.flatMap((track) => [
    2 * track.tolerance,
    ...track.marks.map((mark) => Math.abs(mark.error) + mark.u95),
  ]);
  return Math.max(1, ...reaches) * 1.08;
}
