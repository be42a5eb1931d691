/**
 * The numbers of a cam report as rows of tables, and its drawing as plain data. All pure.
 *
 * A lobe is `{title, report, why_not, card, lift_at_tdc_mm, lift_at_tdc_u95_mm}`; a figure `{value, u95}`.
 */

import { baseLayout, unitOf } from "./figures.js";
import { LENGTHS, decimalsFor, digits, eventAngle, joined, length, lengthValue } from "./units.js";

const NONE = "–";
/** Higher up the valves are not open together. */
const LOW_MM = 1.5;

/** "12.3° ± 0.2°": as many decimals as the interval deserves. */
export function degrees(figure, unit = "°") {
  if (!figure) return NONE;
  const decimals = decimalsFor(figure.u95);
  return `${digits(figure.value, decimals)}${unit} ± ${digits(figure.u95, decimals)}${unit}`;
}

/** A length, or a length per something, in the chosen unit; `power` of the length is always one. */
export function lengths(figure, kind, { per = "", finer = 1 } = {}) {
  if (!figure) return NONE;
  const { perMm, decimals, unit } = LENGTHS[kind] ?? LENGTHS.mm;
  const places = decimals + finer;
  return `${digits(figure.value * perMm, places)} ± ${digits(figure.u95 * perMm, places)} ${unit}${per}`;
}

const area = (figure, kind) => lengths(figure, kind, { per: "·°", finer: -1 });
const rate = (figure, kind) => lengths(figure, kind, { per: "/°", finer: 2 });

/** The check lifts that suit the chosen unit. */
export const liftsOf = (report, kind) => (kind === "mm" ? report.at_lifts : report.at_inch_lifts);

/** An event with its interval, in the chosen wording. */
function event(figure, choices) {
  const at = joined(eventAngle(figure.value, choices.angle, decimalsFor(figure.u95)));
  return `${at} ± ${digits(figure.u95, decimalsFor(figure.u95))}°`;
}

export const LIFT_COLUMNS = [
  ["At a lift of", true],
  ["Opens", true],
  ["Closes", true],
  ["Duration", true],
  ["Area", true],
  ["Opening rate", true],
  ["Closing rate", true],
  ["Later half less earlier", true],
];

export function liftRows(report, choices) {
  const kind = choices.length;
  return liftsOf(report, kind).map((at) => [
    length(at.lift_mm, kind),
    event(at.opens_deg, choices),
    event(at.closes_deg, choices),
    degrees(at.duration_deg),
    area(at.area_mm_deg, kind),
    rate(at.opening_mm_deg, kind),
    rate(at.closing_mm_deg, kind),
    degrees(at.flank_asymmetry_deg),
  ]);
}

/** A base circle that runs out by less than its own interval is not said to run out. */
function runout(figure, kind) {
  if (!figure) return NONE;
  if (figure.value <= figure.u95)
    return `none seen, ${length(figure.value + figure.u95, kind, { finer: 1 })} at most`;
  return lengths(figure, kind);
}

const atTdc = (lobe, kind) =>
  lobe.lift_at_tdc_mm === null || lobe.lift_at_tdc_mm === undefined
    ? NONE
    : lengths({ value: lobe.lift_at_tdc_mm, u95: lobe.lift_at_tdc_u95_mm ?? 0 }, kind);

/** Rows of one name and one cell a lobe; `of` makes the cell. */
function rowsOf(lobes, kind) {
  const seen = lobes.find((lobe) => lobe.report);
  const lifts = seen ? liftsOf(seen.report, kind).map((at) => at.lift_mm) : [];
  const at = (lobe, lift) => liftsOf(lobe.report, kind).find((one) => one.lift_mm === lift);
  return [
    ["Peak lift", (lobe) => lengths(lobe.report.peak_lift_mm, kind)],
    ...lifts.map((lift) => [
      `Duration at ${length(lift, kind)}`,
      (lobe) => degrees(at(lobe, lift)?.duration_deg),
    ]),
    ["Area under the curve", (lobe) => area(lobe.report.area_mm_deg, kind)],
    ["Steepest opening", (lobe) => rate(lobe.report.steepest_opening_mm_deg, kind)],
    ["Steepest closing", (lobe) => rate(lobe.report.steepest_closing_mm_deg, kind)],
    ...["opening", "closing"].flatMap((side) => [
      [`Ramp, ${side}: height`, (lobe) => lengths(lobe.report[`${side}_ramp`]?.height_mm, kind)],
      [`Ramp, ${side}: length`, (lobe) => degrees(lobe.report[`${side}_ramp`]?.length_deg)],
    ]),
    ["Base circle runs out", (lobe) => runout(lobe.report.base_circle_mm, kind)],
    ["Nose later than the flanks", (lobe) => degrees(lobe.report.nose_asymmetry_deg)],
    ["Lift at TDC", (lobe) => atTdc(lobe, kind)],
  ];
}

/** What the card says of one lobe, in words. */
function cardTold(card, kind) {
  if (!card) return NONE;
  const told = [];
  if (card.lift_mm !== null) told.push(`lift ${length(card.lift_mm, kind)}`);
  if (card.duration_deg !== null) {
    const at = card.check_lift_mm === null ? "" : ` at ${length(card.check_lift_mm, kind)}`;
    told.push(`duration ${digits(card.duration_deg, 1)}°${at}`);
  }
  if (card.lift_at_tdc_mm !== null) told.push(`lift at TDC ${length(card.lift_at_tdc_mm, kind)}`);
  return told.join(", ") || NONE;
}

/** Columns and rows of all lobes beside one another. */
export function besideTable(lobes, kind) {
  const columns = [["", false], ...lobes.map((lobe) => [lobe.title, true])];
  const rows = rowsOf(lobes, kind).map(([name, of]) => [
    name,
    ...lobes.map((lobe) => (lobe.report ? of(lobe) : NONE)),
  ]);
  if (lobes.some((lobe) => lobe.card)) rows.push(["Card", ...lobes.map((lobe) => cardTold(lobe.card, kind))]);
  return { columns, rows };
}

/** Columns and rows of what both valves of a cylinder have in common. */
export function bothTable(overlaps, kind) {
  const lifts = Object.keys(overlaps[0]?.overlap.at_lift_deg ?? {})
    .map(Number)
    .filter((lift) => lift < LOW_MM);
  const columns = [
    ["Cylinder", false],
    ["Overlap area", true],
    ...lifts.map((lift) => [`Overlap at ${length(lift, kind)}`, true]),
    ["Separation, cam degrees", true],
    ["Card", true],
  ];
  const rows = overlaps.map(({ cylinder, overlap, card_separation_cam_deg: card }) => [
    cylinder,
    area(overlap.area_mm_deg, kind),
    ...lifts.map((lift) =>
      degrees(Object.entries(overlap.at_lift_deg).find(([key]) => Number(key) === lift)?.[1]),
    ),
    degrees(overlap.separation_cam_deg),
    card === null ? NONE : `${digits(card, 1)}°`,
  ]);
  return { columns, rows };
}

/** A line and the band about it, `u` a standard uncertainty. */
function banded(deg, values, u, look, yaxis = "y") {
  const scale = (mm) => mm.map((value) => lengthValue(value, look.lengthKind));
  const edge = (sense) => ({
    type: "scatter",
    mode: "lines",
    x: deg,
    y: scale(values.map((value, at) => value + sense * 2 * u[at])),
    yaxis,
    line: { width: 0 },
    hoverinfo: "skip",
  });
  return [
    edge(-1),
    { ...edge(1), fill: "tonexty", fillcolor: look.colours.wash },
    {
      type: "scatter",
      mode: "lines",
      x: deg,
      y: scale(values),
      yaxis,
      line: { color: look.colours.accent, width: 2, simplify: false },
      hovertemplate: "%{x}°, %{y}<extra></extra>",
    },
  ];
}

/** The difference of two profiles with its band. */
export function againstFigure(found, look) {
  return {
    data: banded(found.from_full_lift_deg, found.difference_mm, found.u_mm, look),
    layout: baseLayout(look, "crank degrees from full lift", `difference, ${unitOf(look)}`),
  };
}

/** What two profiles tell of each other, in sentences. */
export const againstTold = (found) => [
  ...found.sentences,
  `Best phase: ${degrees(found.phase_deg)} later, from full lift to full lift.`,
];

/** Lift, rate and acceleration one above another, each with its band. */
export function profileFigure(profile, look) {
  const traces = [
    ["lift_mm", "lift_u_mm", "y3"],
    ["rate_mm_deg", "rate_u_mm_deg", "y2"],
    ["acceleration_mm_deg2", "acceleration_u_mm_deg2", "y"],
  ].flatMap(([name, u, yaxis]) => banded(profile.from_full_lift_deg, profile[name], profile[u], look, yaxis));
  const layout = baseLayout(look, "crank degrees from full lift", `${unitOf(look)}/°²`);
  const row = (title, domain) => ({ ...layout.yaxis, title: { text: title, standoff: 8 }, domain });
  layout.yaxis = row(`acceleration<br>${unitOf(look)}/°²`, [0, 0.3]);
  layout.yaxis2 = row(`rate, ${unitOf(look)}/°`, [0.35, 0.64]);
  layout.yaxis3 = row(`lift, ${unitOf(look)}`, [0.69, 1]);
  layout.xaxis = { ...layout.xaxis, anchor: "y" };
  return { data: traces, layout };
}
