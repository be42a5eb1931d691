/**
 * What is computed from a job: the correction, lobes beside one another, cards that fit, files. Rows are
 * pure; nodes are
 * made of them.
 */

import { el } from "./dom.js";
import { callOf, errorWords, stageWords } from "./job_view.js";
import { shiftTold } from "./trace_tables.js";
import { centreAngle, digits, joined, length } from "./units.js";

function facts(rows) {
  return el(
    "dl",
    { class: "facts" },
    ...rows.map(([name, value]) => el("div", {}, el("dt", {}, name), el("dd", { class: "plain" }, value))),
  );
}

// ---- the correction ----

/** Name and value of what a builder does to the adjuster. */
export function correctionRows(one, choices) {
  const rows = [
    [
      "Make the cam",
      one.make === "nothing"
        ? "nothing: it stands"
        : `${one.make} by ${digits(Math.abs(one.change_deg), 2)}° crank, ${digits(one.cam_deg, 2)}° cam`,
    ],
  ];
  if (one.arc_mm !== null)
    rows.push([
      "At the bolt circle",
      `${length(one.arc_mm, choices.length)} along the arc, ${length(one.chord_mm, choices.length)} straight`,
    ]);
  if (one.setting) rows.push(["On its adjuster", one.setting]);
  if (one.setting_leaves_deg) rows.push(["That leaves it", errorWords(one.setting_leaves_deg)]);
  if (one.lift_at_tdc_then_mm !== null)
    rows.push(["Lift at TDC then", length(one.lift_at_tdc_then_mm, choices.length)]);
  return rows;
}

/** One cam's correction: what it comes to, and the two ways of moving it. */
export function correctionNode(one, choices, spoken) {
  const ways = [one.hold_the_crank, one.hold_the_cam, one.park].filter(Boolean);
  return el(
    "article",
    { class: "correction" },
    el("h3", {}, spoken(`${one.cam} cam: ${errorWords(one.error_deg)}`)),
    facts(correctionRows(one, choices).map(([name, value]) => [spoken(name), spoken(value)])),
    el("ul", { class: "ways" }, ...ways.map((way) => el("li", {}, spoken(way)))),
    one.single_cam && el("p", {}, spoken(one.single_cam.sentence)),
  );
}

// ---- lobes ----

/** "108.14 ATDC" of the server, as this screen says angles. */
export function fullLift(one, choices) {
  const before = one.valve === "exhaust";
  return joined(centreAngle(before ? -one.full_lift_deg : one.full_lift_deg, choices.angle));
}

export const CAM_COLUMNS = [
  ["Lobe", false],
  ["When", false],
  ["Lobe centre", true],
  ["Against the card", true],
  ["Verdict", false],
];

/** Every measurement of every lobe, in the order they were taken. */
export function camRows(cams, choices) {
  return cams.flatMap((cam) =>
    cam.measured.map((one) => ({
      cells: [
        `${one.valve} ${one.cylinder}`,
        stageWords(one.stage) + (one.by_hand ? ", by hand" : ""),
        fullLift(one, choices),
        one.verdict ? `${errorWords(one.verdict.error_deg)} ± ${digits(one.verdict.u95_deg, 2)}°` : "–",
      ],
      call: callOf(one.verdict),
      why: one.verdict ? "" : one.not_comparable,
    })),
  );
}

export const CHANGE_COLUMNS = [
  ["Lobe", false],
  ["Between", false],
  ["Moved by", true],
  ["Real move?", false],
];

const BETWEEN = { nipped: "nipped up", torqued: "torqued", "": "nothing touched" };

/** One lobe measured again: how far it stands from where it was, and whether that means anything. */
export function changeRow(one) {
  const real = one.call === "means something";
  return {
    cells: [
      `${one.valve} ${one.cylinder}`,
      BETWEEN[one.between] ?? one.between,
      shiftTold(one.by_deg, one.u95_deg),
    ],
    call: [real ? "stop" : "there", one.call],
  };
}

export const BESIDE_COLUMNS = [
  ["Lobe", false],
  ["Against the card", true],
  ["Peak lift", true],
  ["Duration", true],
  ["Slack", true],
  ["Unlike the others in", false],
];

/** The newest of every lobe, one beside another. */
export function besideRows(lobes, choices) {
  return lobes.map((one) => [
    `${one.valve} ${one.cylinder}`,
    errorWords(one.phase_deg),
    one.peak_lift_mm === null ? "–" : length(one.peak_lift_mm, choices.length),
    one.duration_deg === null
      ? "–"
      : `${digits(one.duration_deg, 1)}° at ${length(one.check_lift_mm, choices.length)}`,
    one.slack_deg === null ? "not seen" : `${digits(one.slack_deg, 2)}°`,
    one.odd.length ? one.odd.join(", ") : "nothing",
  ]);
}

// ---- valve to piston ----

/** "20° early", for a cam moved on purpose. */
export function shiftWords(deg) {
  return deg === 0
    ? "as it stands"
    : `${digits(Math.abs(deg), Number.isInteger(deg) ? 0 : 1)}° ${deg > 0 ? "late" : "early"}`;
}

/** Least gap of each valve with the cam moved, a row a shift. */
export function shiftRows(clearances, choices) {
  const shifts = clearances[0]?.table.map((row) => row.shift_deg) ?? [];
  return shifts.map((shift) => [
    shiftWords(shift),
    ...clearances.map((one) => {
      const row = one.table.find((other) => other.shift_deg === shift);
      return row ? `${length(row.least_mm, choices.length)}${row.enough ? "" : ", too near"}` : "–";
    }),
  ]);
}

// ---- engine and card ----

const WAYS = {
  full_lift: "full lift",
  equal_lift: "middle of equal lift",
  events: "opening and closing",
  lift_at_tdc: "lift at TDC",
  equal_overlap_lift: "equal lift at overlap",
  separation: "separation and advance",
};

function halfWords(half, valve, choices) {
  const told = [];
  if (half.full_lift_deg !== null)
    told.push(
      joined(centreAngle(valve === "exhaust" ? -half.full_lift_deg : half.full_lift_deg, choices.angle, 1)),
    );
  if (half.opens_deg !== null && half.closes_deg !== null)
    told.push(`opens ${digits(half.opens_deg, 1)}°, closes ${digits(half.closes_deg, 1)}°`);
  if (half.lift_mm !== null) told.push(`lift ${length(half.lift_mm, choices.length)}`);
  if (half.checking_clearance_mm !== null)
    told.push(`clearance ${length(half.checking_clearance_mm, choices.length)}`);
  return told.join(", ");
}

/** Name and value of what the job was begun with; of a card alone where no engine is given. */
export function cardRows({ engine, card, tolerance_deg: own }, choices) {
  const rows = engine ? [["Firing order", engine.firing_order.join("-")]] : [];
  if (engine && engine.stroke_mm !== null)
    rows.push([
      "Stroke and rod",
      `${length(engine.stroke_mm, choices.length)}, ${length(engine.rod_mm, choices.length)}`,
    ]);
  rows.push(
    engine ? [`Card, by ${WAYS[card.way] ?? card.way}`, card.name] : ["By", WAYS[card.way] ?? card.way],
  );
  for (const valve of ["inlet", "exhaust"])
    if (card[valve])
      rows.push([valve === "inlet" ? "Inlet" : "Exhaust", halfWords(card[valve], valve, choices)]);
  const tolerance = own ?? card.tolerance_deg;
  if (Number.isFinite(tolerance)) rows.push(["Tolerance", `± ${digits(tolerance, 1)}°`]);
  return rows;
}

export const cardNode = (job, choices, spoken) =>
  facts(cardRows(job, choices).map(([name, value]) => [spoken(name), spoken(value)]));

const FITS = {
  fits: ["there", "fits"],
  "could be": ["mind", "could be"],
  "does not fit": ["stop", "does not fit"],
  "cannot be compared": ["quiet", "cannot be compared"],
};

/** Shape and word of how a card fits. */
export function fitOf(match) {
  return FITS[match.fit] ?? ["quiet", match.fit];
}

// ---- files ----

/** Address, words and what it is for, of everything that can be taken away from a job. */
export function filesOf(here) {
  return [
    [`${here}/sheet.html`, "Sheet to look at and print", ""],
    [`${here}/sheet.pdf`, "Sheet as PDF", "for the customer"],
    [`${here}/sheet.csv`, "Measurements as CSV", "every digit kept"],
    [`${here}/parts.csv`, "Other parts as CSV", "runout, end float, deck; mm and inch"],
    [`${here}/sheet.json`, "Everything as JSON", "for other programs"],
    [`${here.replace("/api", "")}/report`, "Cam report", "every lobe beside its card and its neighbours"],
    [`${here.replace("/api", "")}/piston_map`, "Valve to piston, a map", "by the phase of both cams"],
    [
      `${here.replace("/api", "")}/drive`,
      "Slack of the drive",
      "degrees, mm of chain or belt, since last time",
    ],
    [`${here}/lift_table.csv`, "Lift by degree as CSV", "every lobe measured, and the piston"],
    [`${here}/job.zip`, "The whole job as one file", "with its traces; another shop can take it in"],
  ];
}
