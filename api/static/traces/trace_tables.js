/**
 * The numbers of a trace as tables. The rows are made by pure functions; `table` puts them on the page.
 */

import { el } from "./dom.js";
import { centreAngle, decimalsFor, digits, eventAngle, joined, length, plainAngle } from "./units.js";
import { whatOf } from "./words.js";

/**
 * A table: `columns` are `[heading, isNumber]`, `rows` lists of texts or nodes; said in words when empty.
 * Each cell knows
 * its heading, for on a phone a row is read downwards.
 */
export function table(columns, rows, empty) {
  if (!rows.length) return el("p", { class: "quiet" }, empty);
  const head = el(
    "tr",
    {},
    ...columns.map(([name, num]) => el("th", { scope: "col", class: num ? "num" : null }, name)),
  );
  const body = rows.map((row) =>
    el(
      "tr",
      {},
      ...row.map((cell, at) =>
        el("td", { class: columns[at][1] ? "num" : null, data: { head: columns[at][0] } }, cell),
      ),
    ),
  );
  return el(
    "table",
    { class: columns.length > 3 ? "told" : null },
    el("thead", {}, head),
    el("tbody", {}, ...body),
  );
}

/** An angle in the chosen wording: about the dead centres for a lobe, on the disc for a piston. */
function told(deg, item, choices, form = centreAngle, decimals = 2) {
  return joined(
    item.what === "lobe" ? form(deg, choices.angle, decimals) : plainAngle(item.turn(deg), decimals),
  );
}

export const PAIR_COLUMNS = [
  ["Below the top", true],
  ["Before", true],
  ["After", true],
  ["Half-way", true],
  ["Off the centre", true],
];

export function pairRows(item, choices) {
  return item.pairs.map((pair) => [
    length(pair.drop_mm, choices.length),
    told(pair.before_deg, item, choices),
    told(pair.after_deg, item, choices),
    told(pair.midpoint_deg, item, choices),
    `${digits(pair.midpoint_deg - item.centre, 2, true)}°`,
  ]);
}

export const PASS_COLUMNS = [
  ["", false],
  ["Turned", false],
  ["Speed", true],
  ["Centre alone", true],
  ["Counts", false],
];

export function passRows(item, choices) {
  return (item.result?.passes ?? []).map((pass, at) => [
    String(at + 1),
    pass.direction < 0 ? "← back" : "→ on",
    `${digits(Math.abs(pass.speed_deg_s), 0)} °/s`,
    pass.centre_deg === null || pass.centre_deg === undefined
      ? "–"
      : told(pass.centre_deg, item, choices) +
        (pass.u_deg ? ` ± ${digits(2 * pass.u_deg, decimalsFor(2 * pass.u_deg))}°` : ""),
    pass.used ? "yes" : "slack only",
  ]);
}

/** Beside the encoder's line, where nobody stated its limit. */
function supposedOf(settings, source) {
  if (source !== "encoder out of round" || !settings?.encoder_supposed) return "";
  return ` (${settings.encoder_error_deg}° supposed, none stated)`;
}

export const BUDGET_COLUMNS = [
  ["From", false],
  ["Standard uncertainty", true],
  ["Share", false],
];

export function budgetRows(item) {
  const budget = item.detail.budget ?? [];
  const total = budget.reduce((sum, part) => sum + part.u_deg ** 2, 0);
  return [...budget]
    .sort((a, b) => b.u_deg - a.u_deg)
    .map((part) => [
      part.source + supposedOf(item.settings, part.source),
      `${digits(part.u_deg, 4)}°`,
      total ? part.u_deg ** 2 / total : 0,
    ]);
}

export const EVENT_COLUMNS = [
  ["At a lift of", true],
  ["Opens", true],
  ["Closes", true],
  ["Duration", true],
];

export function eventRows(item, choices) {
  return (item.result?.events ?? []).map((event) => [
    length(event.lift_mm, choices.length),
    joined(eventAngle(event.opens_deg, choices.angle)),
    joined(eventAngle(event.closes_deg, choices.angle)),
    `${digits(event.duration_deg, 1)}°`,
  ]);
}

/** "0.80° ± 0.12° later"; without an interval where none was told. */
export function shiftTold(byDeg, u95Deg) {
  const interval = Number.isFinite(u95Deg) ? ` ± ${digits(u95Deg, 2)}°` : "";
  return `${digits(Math.abs(byDeg), 2)}°${interval} ${byDeg < 0 ? "earlier" : "later"}`;
}

/** A lobe in two positions of the encoder: its centre of both, what each said alone, what the encoder had added. */
export function turnedWords(told, choices) {
  const centre = joined(centreAngle(told.centre_deg, choices.angle, 2));
  const alone = [told.before_u95_deg, told.after_u95_deg].map((u95) => `± ${digits(u95, 2)}°`).join(" and ");
  const both = `Of both positions of the encoder: ${centre} ± ${digits(told.u95_deg, 2)}°`;
  return `${both}, alone ${alone}. ${told.sentence}`;
}

/** Name and value of everything else a result tells. */
export function factRows(item, choices) {
  const { result, detail } = item;
  if (!result) return [];
  const rows = [];
  const add = (name, value) => value !== null && value !== undefined && rows.push([name, value]);
  if (item.what === "lobe") {
    add("Nose at", joined(centreAngle(result.full_lift_deg, choices.angle)));
    add("Peak lift", length(result.peak_lift_mm, choices.length, { finer: 1 }));
    add("Centre after the nose", `${digits(result.asymmetry_deg, 2, true)}°`);
    add("Slack", result.slack_deg === null ? "not seen: no way back" : `${digits(result.slack_deg, 2)}°`);
  } else {
    if (Number.isFinite(detail.rod_ratio)) add("Rod over throw", digits(detail.rod_ratio, 2));
    if (Number.isFinite(detail.gain)) add("Gauge over piston", digits(detail.gain, 3));
  }
  add("Gauge late by", `${digits(result.lag_s * 1000, 0)} ms`);
  if (Number.isFinite(detail.residual_sd_mm))
    add("Fit residual", length(detail.residual_sd_mm, choices.length, { finer: 2 }));
  return rows;
}

/** The bar of one share of the budget, with its number beside it: never the bar alone. */
export function shareBar(share) {
  return el(
    "div",
    { class: "share" },
    el("span", {}, `${digits(share * 100, 0)} %`),
    el("span", { class: "bar", style: `width: ${(share * 60).toFixed(1)}%` }),
  );
}

/** The other traces of a kind that have a number, as what may be chosen in a list. */
export function elsewhereToChoose(traces, spoken) {
  return traces.map((other) => {
    const day = new Date(other.started_at).toLocaleDateString(document.documentElement.lang);
    const name = `${other.bench}:${other.id}`;
    return el("option", { value: name }, `${name}: ${spoken(whatOf(other.touches))}, ${day}`);
  });
}

export function othersToChoose(measurements, own, what, spoken) {
  return measurements
    .filter((other) => other.id !== own && other.what === what && other.result)
    .map((other) => {
      const day = new Date(other.started_at).toLocaleDateString(document.documentElement.lang);
      return el("option", { value: other.id }, `${other.id}: ${spoken(whatOf(other.touches))}, ${day}`);
    });
}
