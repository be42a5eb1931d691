/**
 * What is typed for compression, deck, timing mark, runout and end float as bodies; what comes back as rows. All pure.
 */

import { digits } from "./units.js";

const clean = (text) => text.trim().replaceAll(",", ".").replaceAll("−", "-");

function number(text) {
  const found = clean(text);
  const value = Number(found);
  if (found === "" || !Number.isFinite(value))
    throw new Error(`"${text.trim()}" is no number; write 86 or 86±0.02.`);
  return value;
}

/** "86±0.02" as a value and its limit. */
export function typed(text) {
  const [value, limit = "0"] = text.replace("+-", "±").split("±");
  return { value: number(value), limit: number(limit) };
}

/** Fields that were filled in. */
const filled = (fields) => Object.entries(fields).filter(([, text]) => text.trim() !== "");

export const compressionBody = (fields) =>
  Object.fromEntries(filled(fields).map(([name, text]) => [name, typed(text)]));

export const markBody = (fields) =>
  Object.fromEntries(filled(fields).map(([name, text]) => [name, number(text)]));

const readings = (text) => clean(text).replaceAll("+", " ").split(/\s+/).map(number);

/** Lines such as "1 = 0.31 / 0.25" and the spacing. */
export function deckBody({ crowns, spacing, ...more }) {
  const lines = crowns.split("\n").filter((line) => line.trim());
  const body = {
    ...more,
    crowns: lines.map((line) => {
      const found = /^\s*(\w+)\s*[=:]([^/]+)\/([^/]+)$/.exec(line);
      if (!found) throw new Error(`"${line.trim()}" is no cylinder with two places; write 1 = 0.31 / 0.25.`);
      return { cylinder: found[1], first_mm: readings(found[2]), second_mm: readings(found[3]) };
    }),
  };
  return spacing.trim() ? { ...body, spacing_mm: number(spacing) } : body;
}

/** A reading written into the lines of the crowns: its cylinder's line, the first place or the second. */
export function withReading(crowns, cylinder, place, mm) {
  const own = new RegExp(`^\\s*${cylinder}\\s*=`);
  const lines = crowns.split("\n").filter((line) => line.trim());
  const at = lines.findIndex((line) => own.test(line));
  const [, first = "", second = ""] = /=([^/]*)\/?(.*)$/.exec(lines[at] ?? "") ?? [];
  const both = { first: first.trim(), second: second.trim(), [place]: mm.toFixed(3) };
  const line = `${cylinder} = ${both.first} / ${both.second}`.trimEnd();
  return (at < 0 ? [...lines, line] : lines.with(at, line)).join("\n");
}

const SAME_FACE_MM = 0.02;
/** What to say of a face that was read again; empty where it reads as before. */
export function faceMoved(before, now) {
  const off = Math.abs(now - before);
  if (before === null || off <= SAME_FACE_MM) return "";
  return (
    `The face reads ${digits(off, 3)} mm otherwise than before: another bore, or the stand moved or the zero key was ` +
    "pressed meanwhile. If it is the same bore, read its crown anew."
  );
}

const NEXT = {
  face:
    "Swing the gauge to the crown, turn the piston over TDC and back, twice, let it rest, " +
    "then read the crown, first place.",
  first:
    "Move the gauge to the other place, as far from the middle, turn the piston over TDC and back, twice, " +
    "let it rest, then read the crown, second place.",
  second: "Tell the deck; or before it the next bore: its number above, its face, its crown at both places.",
};
/** What comes after a reading of the deck. */
export const nextOfDeck = (place) => NEXT[place];

/** The crank at a mark, and true TDC, as their fields are filled. */
export const markRead = ({ mark_deg, tdc_deg, tdc_u95_deg }) => ({
  mark_deg: mark_deg.toFixed(2),
  tdc_deg: tdc_deg.toFixed(3),
  tdc_u95_deg: tdc_u95_deg.toFixed(3),
});

const LEAST_RIM_MM = 40;
const MOST_RIM_MM = 1200;
/** Where the strip of a rim is. */
export function stripPath(diameter, anticlockwise) {
  const rim = number(diameter);
  if (!(rim >= LEAST_RIM_MM && rim <= MOST_RIM_MM))
    throw new Error(`Measure the rim's diameter: ${LEAST_RIM_MM} to ${MOST_RIM_MM} mm.`);
  return `/api/fitting/strip.pdf?rim_mm=${rim}&anticlockwise=${anticlockwise}`;
}

/** What the open job tells of the fitting from its own measurements. */
export const ofTheJob = (job) =>
  job === null
    ? []
    : [
        [`/jobs/${job}/report`, "Cam report"],
        [`/jobs/${job}/piston_map`, "Valve to piston"],
        [`/jobs/${job}/drive`, "Slack of the drive"],
      ];

const USUAL_LIMIT_MM = 0.01;
/** The limit of error of a reading by the gauge, from its interval; the usual one where that is less. */
export const readingLimit = (u95s) =>
  Math.max(USUAL_LIMIT_MM, ...u95s.map((u95) => (Math.sqrt(3) * u95) / 2));

/** What was typed without a limit is told without one: "± 0.00" would be a promise. */
const figure = (one, decimals, unit) =>
  one.u95 > 0
    ? `${digits(one.value, decimals)} ± ${digits(one.u95, decimals)}${unit}`
    : `${digits(one.value, decimals)}${unit}`;

export const TOLD_COLUMNS = [
  ["What", false],
  ["Number", true],
];

export function compressionRows({ ratio, swept_cm3, left_cm3, without_limit }) {
  const rows = [
    ["Compression ratio", figure(ratio, 2, " : 1")],
    ["Swept", figure(swept_cm3, 2, "\u00a0cm³")],
    ["Left at TDC", figure(left_cm3, 2, "\u00a0cm³")],
  ];
  if (without_limit.length) rows.push(["Without a limit, so not in ±", without_limit.join(", ")]);
  return rows;
}

export function deckRows(found) {
  const rows = found.cylinders.map((one) => [
    `Cylinder ${one.cylinder}, ${one.deck_mm.value < 0 ? "proud" : "below"}`,
    figure({ ...one.deck_mm, value: Math.abs(one.deck_mm.value) }, 3, "\u00a0mm"),
  ]);
  if (found.cylinders.length > 1) rows.push(["Spread", figure(found.spread_mm, 3, "\u00a0mm")]);
  if (found.tilt_along) rows.push(["Tilt along, in 100 mm", figure(found.tilt_along, 3, "\u00a0mm")]);
  if (Number.isFinite(found.off_straight_mm))
    rows.push(["Off a straight line, at most", `${digits(found.off_straight_mm, 3)}\u00a0mm`]);
  return rows;
}

/** Mean deck for the compression ratio, its limit wide enough to hold every cylinder. */
export function deckForRatio({ cylinders }) {
  const mean = cylinders.reduce((sum, one) => sum + one.deck_mm.value, 0) / cylinders.length;
  const wide = cylinders.map((one) => Math.abs(one.deck_mm.value - mean) + one.limit_mm);
  return `${mean.toFixed(3)}±${Math.max(...wide).toFixed(3)}`;
}

/** Limits typed for a runout or an end float, and the gauge. */
export const partBody = (fields) =>
  Object.fromEntries(filled(fields).map(([name, text]) => [name, name === "gauge" ? text : number(text)]));

const WAVES = {
  1: "Once a turn",
  2: "Twice a turn (oval)",
  3: "Three lobes",
  4: "Four lobes",
  5: "Five lobes",
};

export function runoutRows(found) {
  const rows = [["Full swing", figure(found.total_mm, 3, "\u00a0mm")]];
  if (!found.swash) {
    rows.push(["Off its axis", figure(found.eccentricity_mm, 3, "\u00a0mm")]);
    rows.push(["Oval, high less low", figure(found.ovality_mm, 3, "\u00a0mm")]);
  } else {
    const { radius_mm, swash_mm, tilt_deg } = found.swash;
    rows.push([`Swash ${digits(radius_mm, 0)}\u00a0mm from the axis`, figure(swash_mm, 3, "\u00a0mm")]);
    rows.push(["Out of square", figure(tilt_deg, 3, "°")]);
  }
  for (const wave of found.waves)
    if (wave.seen) rows.push([`${WAVES[wave.times]}, highest first at`, figure(wave.high_at_deg, 0, "°")]);
  rows.push(["Turned", `${digits(found.turns, 1)} turns`]);
  return rows;
}

/** The waves round the turn as the points of a line, `wide` by `high`, the highest place uppermost. */
export function roundLine({ crank_deg, reading_mm }, wide, high) {
  const low = Math.min(...reading_mm);
  const swing = Math.max(...reading_mm) - low || 1;
  return crank_deg
    .map((deg, at) => {
      const down = high * (1 - (reading_mm[at] - low) / swing);
      return `${((wide * deg) / 360).toFixed(1)},${down.toFixed(1)}`;
    })
    .join(" ");
}

/** How high the drawn waves stand, which fill their box whatever they measure. */
export const swingWords = ({ reading_mm }) =>
  `${digits(Math.max(...reading_mm) - Math.min(...reading_mm), 3)}\u00a0mm`;

export const KEPT_COLUMNS = [
  ["When", false],
  ["Part", false],
  ["What", false],
  ["Found", false],
  ["Limit typed", false],
  ["Job", false],
  ["", false],
];

const KINDS = {
  runout: "Runout",
  swash: "Face swash",
  end_float: "End float",
  deck: "Deck",
  compression: "Compression",
  mark: "Timing mark",
};
export const keptKind = ({ what }) => KINDS[what];

const UNITS = { mm: [3, "\u00a0mm"], cm3: [2, "\u00a0cm³"], ": 1": [2, " : 1"] };
/** As many decimals as the interval has: a face's tilt needs thousandths of a degree, a timing mark tenths. */
const degreeDigits = (u95) => (u95 > 0 ? Math.min(Math.max(Math.ceil(-Math.log10(u95)), 1), 3) : 3);
const unitOf = ({ unit, u95 }) => UNITS[unit] ?? [degreeDigits(u95), "°"];
const HELD = { within: "within", beyond: "beyond", open: "too near to judge" };

/** "0.02 to 0.3 mm: within", as far as limits were typed. */
function limitWords({ least_mm, most_mm, held }) {
  const limits = [least_mm, most_mm].filter((one) => one !== null);
  return limits.length ? `${limits.join(" to ")}\u00a0mm: ${HELD[held]}` : "";
}

/** What can still be named: kept without a name. */
export const canBeNamed = (one) => one.fact === null && one.part === "";

/** What is said while a part is waited for. */
export const waitingWords = ({ kind, sentence, turned_deg }) =>
  kind === "runout" && turned_deg > 0
    ? `${sentence} Turned so far: ${digits(turned_deg / 360, 1)} times round.`
    : sentence;

/** When, part, what, the numbers as lines, the limit. */
export function keptRow(one, language = document.documentElement.lang) {
  const when = new Date(one.at).toLocaleString(language, { dateStyle: "short", timeStyle: "short" });
  const found = one.figures.map((number) => {
    const [decimals, unit] = unitOf(number);
    return `${number.name} ${figure(number, decimals, unit).replaceAll(" ", "\u00a0")}`; // no number breaks
  });
  return [when, one.part, keptKind(one), found, limitWords(one)];
}
