/**
 * Valve to piston by the phase of both cams: rows of its table, and its drawing as plain data. All pure.
 *
 * A map is `{shifts_deg, one_cam, cylinders: [{cylinder, edges, spare_mm, not_mapped}]}`; a shift is crank degrees,
 * later is positive.
 */

import { baseLayout, unitOf } from "./figures.js";
import { digits, length, lengthParts, lengthValue } from "./units.js";

const NONE = "–";

export const VALVE_COLUMNS = [
  ["Valve", false],
  ["Least now", true],
  ["At", true],
  ["Wanted", true],
  ["", false],
  ["Earlier by at most", true],
  ["Later by at most", true],
  ["On its card", true],
];

const CALLS = {
  in: ["live", "enough"],
  out: ["stop", "too near"],
  cannot_tell: ["mind", "cannot be told"],
};

/** Shape and word of a call. */
export const callOfGap = (call) => CALLS[call] ?? ["quiet", call];

/** How far a cam may go for sure: "8.3°", or that no wall is near. */
export function room(wall, most) {
  if (!wall) return `${digits(most, 0)}° and more`;
  return wall.sure_deg === 0 ? "not at all" : `${digits(Math.abs(wall.sure_deg), 1)}°`;
}

const figure = (value, u95, kind) =>
  value === null ? NONE : `${lengthParts(value, kind).digits} ± ${length(u95, kind)}`;

/** A row a valve; `state` makes the cell of its call. */
export function valveRows(map, kind, state) {
  const most = map.shifts_deg[map.shifts_deg.length - 1];
  return map.cylinders.flatMap(({ cylinder, edges }) =>
    edges.map((edge) => [
      `${edge.valve} ${cylinder}`,
      figure(edge.now_mm, edge.now_u95_mm, kind),
      `${digits(edge.now_at_deg, 0, true)}°`,
      `${length(edge.minimum_mm, kind)}, ${edge.minimum_from}`,
      state(...callOfGap(edge.call)),
      room(edge.earlier, most),
      room(edge.later, most),
      figure(edge.at_card_mm, edge.at_card_u95_mm, kind),
    ]),
  );
}

/** What is missing, the same reason told once for all its valves. */
export function missing(map) {
  const found = map.cylinders.flatMap(({ cylinder, not_mapped }) =>
    not_mapped.map((one) => ({ who: `${one.valve} ${cylinder}`, ...one })),
  );
  const pushed = found.filter((one) => one.code === "not_pushed").map((one) => one.who);
  const told = found.filter((one) => one.code !== "not_pushed").map((one) => one.message);
  if (pushed.length)
    told.push(
      `Not in the map, for they were not pushed onto their piston since their lift was measured: ${pushed.join(", ")}.`,
    );
  return told;
}

const edgeOf = (cylinder, valve) => cylinder.edges.find((edge) => edge.valve === valve);

/** Both sides of a valve's wall as shapes: the ground beyond it shaded, a thick line, a dashed one where it is sure. */
function walls(edge, axis, [low, high], look) {
  const { colours } = look;
  const other = axis === "x" ? "y" : "x";
  const across = { [`${other}ref`]: "paper", [`${other}0`]: 0, [`${other}1`]: 1 };
  const line = (at, dash, width) => ({
    type: "line",
    [`${axis}ref`]: axis,
    [`${axis}0`]: at,
    [`${axis}1`]: at,
    ...across,
    line: { color: colours.stop, width, dash },
  });
  return [
    [edge?.earlier, low],
    [edge?.later, high],
  ].flatMap(([wall, end]) => {
    if (!wall) return [];
    const sure = line(wall.sure_deg, "dash", 2);
    if (wall.shift_deg === null) return [sure];
    const beyond = {
      type: "rect",
      layer: "below",
      [`${axis}ref`]: axis,
      [`${axis}0`]: end,
      [`${axis}1`]: wall.shift_deg,
      ...across,
      line: { width: 0 },
      fillcolor: colours.stop,
      opacity: 0.14,
    };
    return [beyond, line(wall.shift_deg, "solid", 4), sure];
  });
}

function place(x, y, text, symbol, look) {
  const { colours } = look;
  return {
    x: [x],
    y: [y],
    mode: "markers+text",
    type: "scatter",
    text: [text],
    textposition: symbol === "cross-thin" ? "bottom right" : "bottom left",
    textfont: { color: colours.ink, size: 15 },
    marker: { symbol, size: 16, color: colours.accent, line: { color: colours.accent, width: 3 } },
    hoverinfo: "skip",
  };
}

/** One valve alone: its gap with the band, against the phase of its cam. */
function edgeFigure(map, edge, look) {
  const { colours } = look;
  const mm = (values) => values.map((value) => lengthValue(value, look.lengthKind));
  const sum = (sign) => mm(edge.least_mm.map((least, at) => least + sign * edge.u95_mm[at]));
  const layout = baseLayout(look, `${edge.valve} cam, ° early (−) and late (+)`, `least, ${unitOf(look)}`);
  const least = lengthValue(edge.minimum_mm, look.lengthKind);
  layout.shapes = walls(edge, "x", [map.shifts_deg[0], map.shifts_deg.at(-1)], look);
  layout.shapes.push({
    type: "line",
    xref: "paper",
    x0: 0,
    x1: 1,
    y0: least,
    y1: least,
    line: { color: colours.stop, width: 1.5, dash: "dash" },
  });
  const band = { x: map.shifts_deg, mode: "lines", line: { width: 0 }, hoverinfo: "skip" };
  const now = lengthValue(edge.now_mm, look.lengthKind);
  const data = [
    { ...band, y: sum(-1) },
    { ...band, y: sum(1), fill: "tonexty", fillcolor: colours.wash },
    { x: map.shifts_deg, y: mm(edge.least_mm), mode: "lines", line: { color: colours.ink, width: 3 } },
    place(0, now, "as it stands", "cross-thin", look),
  ];
  if (edge.at_card_mm !== null && edge.card_shift_deg !== null)
    data.push(
      place(edge.card_shift_deg, lengthValue(edge.at_card_mm, look.lengthKind), "card", "diamond-open", look),
    );
  return { data, layout };
}

/** The map of one cylinder; where one valve is known only, its gap by its own cam. */
export function mapFigure(map, cylinder, look) {
  const [inlet, exhaust] = ["inlet", "exhaust"].map((valve) => edgeOf(cylinder, valve));
  if (!inlet || !exhaust) return edgeFigure(map, inlet ?? exhaust, look);
  const { colours } = look;
  const shifts = map.shifts_deg;
  const ends = [shifts[0], shifts.at(-1)];
  const layout = baseLayout(
    look,
    "inlet cam, ° early (−) and late (+)",
    "exhaust cam, ° early (−) and late (+)",
  );
  layout.shapes = [...walls(inlet, "x", ends, look), ...walls(exhaust, "y", ends, look)];
  layout.xaxis.range = ends;
  layout.yaxis.range = ends;
  const data = [
    {
      type: "contour",
      x: shifts,
      y: shifts,
      z: shifts.map((_, y) => cylinder.spare_mm.map((row) => lengthValue(row[y], look.lengthKind))),
      contours: { coloring: "none", showlabels: true, labelfont: { color: colours.ink, size: 13 } },
      ncontours: 12,
      line: { color: colours.ink2, width: 1.5 },
      showscale: false,
      hovertemplate: `inlet %{x}°, exhaust %{y}°: %{z:.2f} ${unitOf(look)} left<extra></extra>`,
    },
  ];
  if (map.one_cam)
    data.push({
      x: ends,
      y: ends,
      mode: "lines",
      line: { color: colours.accent, dash: "dot", width: 2 },
      hoverinfo: "skip",
    });
  data.push(place(0, 0, "as it stands", "cross-thin", look));
  if (inlet.card_shift_deg !== null && exhaust.card_shift_deg !== null)
    data.push(place(inlet.card_shift_deg, exhaust.card_shift_deg, "card", "diamond-open", look));
  return { data, layout };
}
