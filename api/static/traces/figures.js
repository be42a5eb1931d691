/**
 * Drawings for the desk, as plain data for the plotting library: `{data, layout}`. All pure.
 *
 * A shown trace ("item") is `{id, title, period, points: {deg, mm}, curve: {deg, mm} | null, centre, u95,
 * result, detail,
 * streams}`; angles in crank degrees, lengths mm. `look` is `{colours, lengthKind, angle}`.
 */

import { LENGTHS, lengthValue } from "./units.js";
import { rates } from "./series.js";

/** Kept apart by dash and by weight; colour only helps. */
const DASHES = ["solid", "dash", "dot", "dashdot", "longdash", "longdashdot"];

export function unitOf(look) {
  return (LENGTHS[look.lengthKind] ?? LENGTHS.mm).unit;
}

function lengths(mm, look) {
  return mm.map((value) => (Number.isFinite(value) ? lengthValue(value, look.lengthKind) : null));
}

function axis(title, look, more = {}) {
  const { colours } = look;
  return {
    title: { text: title, standoff: 8 },
    color: colours.ink2,
    gridcolor: colours.hair,
    zerolinecolor: colours.line,
    linecolor: colours.line,
    ticks: "outside",
    tickcolor: colours.line,
    automargin: true,
    hoverformat: ".2f",
    ...more,
  };
}

export function baseLayout(look, x, y, more = {}) {
  const { colours } = look;
  return {
    paper_bgcolor: "rgba(0,0,0,0)",
    plot_bgcolor: "rgba(0,0,0,0)",
    font: { family: look.font, size: 14, color: colours.ink },
    margin: { l: 56, r: 18, t: 16, b: 48 },
    hovermode: "closest",
    dragmode: "zoom",
    showlegend: false,
    hoverlabel: { bgcolor: colours.sheet, bordercolor: colours.ink, font: { color: colours.ink } },
    legend: { orientation: "h", x: 0, y: 1, yref: "container", yanchor: "top" },
    xaxis: axis(x, look),
    yaxis: axis(y, look),
    ...more,
    meta: more.meta && { ...more.meta, wording: look.angle },
  };
}

const lowest = (start, list) => list.reduce((least, value) => Math.min(least, value), start);
const highest = (start, list) => list.reduce((most, value) => Math.max(most, value), start);

/** Show the whole turn, or what was read of it, and mark the axis in the builder's round angles. */
function whole(item, more = {}) {
  const { deg } = item.lift ?? item.points;
  const low = lowest(lowest(Infinity, deg), item.points.deg);
  const high = highest(highest(-Infinity, deg), item.points.deg);
  return { ...more, meta: { range: [low, high], angles: item.what === "lobe" ? "lobe" : "plain" } };
}

function upright(deg, look, { dash = "longdashdot", colour = look.colours.accent, width = 2 } = {}) {
  return {
    type: "line",
    xref: "x",
    yref: "paper",
    x0: deg,
    x1: deg,
    y0: 0,
    y1: 1,
    line: { color: colour, width, dash },
  };
}

function band(from, to, look, axisName = "x") {
  return {
    type: "rect",
    xref: axisName,
    yref: "paper",
    x0: from,
    x1: to,
    y0: 0,
    y1: 1,
    fillcolor: look.colours.wash,
    line: { width: 0 },
    layer: "below",
    opacity: 0.8,
  };
}

/** Readings turned on are dots, on the way back rings. */
function readings(points, look) {
  const part = (back) => {
    const chosen = points.deg.flatMap((_, at) => ((points.way?.[at] ?? 1) < 0 === back ? [at] : []));
    return {
      type: "scatter",
      mode: "markers",
      name: back ? "turned back" : "turned on",
      x: chosen.map((at) => points.deg[at]),
      y: lengths(
        chosen.map((at) => points.mm[at]),
        look,
      ),
      marker: back
        ? { size: 6, symbol: "circle-open", color: look.colours.line }
        : { size: 4, color: look.colours.ink2 },
      hovertemplate: `%{x:.2f}°, %{y} ${unitOf(look)}<extra></extra>`,
    };
  };
  return [part(true), part(false)];
}

function line(curve, look, { name = "", colour = look.colours.accent, dash = "solid", width = 2.2 } = {}) {
  return {
    type: "scatter",
    mode: "lines",
    name,
    x: curve.deg,
    y: lengths(curve.mm, look),
    line: { color: colour, dash, width, simplify: false },
    connectgaps: false,
    hovertemplate: `${name ? `${name}: ` : ""}%{x:.2f}°, %{y} ${unitOf(look)}<extra></extra>`,
  };
}

/** Equal readings as a builder takes them: a dimension between the flanks, a tick at its middle. */
function pairLines(item, look, upwards) {
  if (!item.curve) return [];
  return item.pairs.slice(0, 8).map((pair) => {
    const y = lengthValue(upwards(item.top.mm) - pair.drop_mm, look.lengthKind);
    return {
      type: "scatter",
      mode: "lines+markers",
      x: [pair.before_deg, pair.midpoint_deg, pair.after_deg],
      y: [y, y, y],
      line: { color: look.colours.ink2, width: 1 },
      marker: {
        symbol: ["triangle-left", "line-ns-open", "triangle-right"],
        size: [8, 12, 8],
        color: look.colours.ink2,
      },
      hovertemplate: `equal readings, ${pair.drop_mm} mm below the top: %{x:.2f}°<extra></extra>`,
    };
  });
}

/**
 * Fitted traces are shown with their top up, whichever way the gauge counts: a lobe as lift above its base circle, a
 * piston as its height below the top. Without a fit the gauge's own readings are shown.
 */
function uprightened(item) {
  if (!item.top) return { upwards: (mm) => mm, title: "gauge" };
  const { sense, mm: top } = item.top;
  return item.what === "lobe"
    ? { upwards: (mm) => sense * (mm - item.base), title: "lift" }
    : { upwards: (mm) => sense * (mm - top), title: "from the top" };
}

/** Title of an axis of angles: where it counts from. */
function angleTitle(item) {
  return item.what === "lobe" ? "crank degrees from TDC" : "crank degrees of the encoder";
}

/** Gauge or lift over crank degrees: readings, fit, equal readings, the centre with its interval. */
export function curveFigure(item, look) {
  const { upwards, title } = uprightened(item);
  const turned = (curve) => ({ ...curve, mm: curve.mm.map(upwards) });
  const data = readings(turned(item.points), look);
  if (item.curve) data.push(line(turned(item.curve), look, { name: "fit" }));
  const shapes = [];
  if (Number.isFinite(item.centre)) {
    data.push(...pairLines(item, look, upwards));
    shapes.push(band(item.centre - item.u95, item.centre + item.u95, look), upright(item.centre, look));
  }
  return {
    data,
    layout: baseLayout(look, angleTitle(item), `${title}, ${unitOf(look)}`, whole(item, { shapes })),
  };
}

/** Degrees either side over which a rate is taken. */
export const RATE_REACH = 6;

/** Lift, velocity and acceleration, one above another on one axis of crank degrees. */
export function ratesFigure(item, look) {
  const { deg, lift, velocity, acceleration } = rates(item.lift, RATE_REACH, 1);
  const row = (ys, _domain, name) => ({
    type: "scatter",
    mode: "lines",
    x: deg,
    y: lengths(ys, look),
    yaxis: name,
    line: { color: look.colours.accent, width: 2, simplify: false },
    hovertemplate: "%{x:.1f}°: %{y:.4~f}<extra></extra>",
    connectgaps: false,
  });
  const unit = unitOf(look);
  const layout = baseLayout(look, angleTitle(item), `lift, ${unit}`, {
    yaxis: axis(`lift, ${unit}`, look, { domain: [0.7, 1] }),
    yaxis2: axis(`velocity, ${unit}/°`, look, { domain: [0.36, 0.64] }),
    yaxis3: axis(`acceleration, ${unit}/°²`, look, { domain: [0, 0.29] }),
    ...whole(item),
  });
  layout.xaxis.anchor = "y3";
  if (Number.isFinite(item.centre)) layout.shapes = [upright(item.centre, look)];
  return { data: [row(lift, 0, "y"), row(velocity, 0, "y2"), row(acceleration, 0, "y3")], layout };
}

/** The lobe as it would be cut: lift on a base circle drawn for the eye, over cam degrees. */
export function polarFigure(items, look) {
  const base = 1.6 * Math.max(...items.map((item) => highest(-Infinity, item.lift.mm)));
  const data = items.map((item, at) => ({
    type: "scatterpolar",
    mode: "lines",
    name: item.title,
    theta: item.lift.deg.map((deg) => deg / 2),
    r: lengths(
      item.lift.mm.map((mm) => base + mm),
      look,
    ),
    line: { color: nthColour(at, look), dash: DASHES[at % DASHES.length], width: 2.2 },
    hovertemplate: "cam %{theta:.1f}°<extra></extra>",
  }));
  const round = Array.from({ length: 121 }, (_, at) => at * 3);
  data.unshift({
    type: "scatterpolar",
    mode: "lines",
    theta: round,
    r: lengths(
      round.map(() => base),
      look,
    ),
    hoverinfo: "skip",
    line: { color: look.colours.line, dash: "dash", width: 1 },
  });
  const layout = baseLayout(look, "", "", {
    margin: { l: 40, r: 40, t: 30, b: 30 },
    showlegend: items.length > 1,
  });
  delete layout.xaxis;
  delete layout.yaxis;
  const { colours } = look;
  layout.polar = {
    bgcolor: "rgba(0,0,0,0)",
    angularaxis: {
      direction: "clockwise",
      rotation: 90,
      color: colours.ink2,
      gridcolor: colours.hair,
      linecolor: colours.line,
    },
    radialaxis: { visible: false, range: [0, lengthValue(base * 1.7, look.lengthKind)] },
  };
  return { data, layout };
}

/** Middle of the equal-lift pair against its drop: upright for a symmetric lobe, leaning for unlike flanks. */
export function centresFigure(item, look) {
  const centres =
    item.detail?.centres ??
    item.pairs?.map((pair) => ({ drop_mm: pair.drop_mm, centre_deg: pair.midpoint_deg })) ??
    [];
  const sorted = [...centres].sort((a, b) => a.drop_mm - b.drop_mm);
  const data = [
    {
      type: "scatter",
      mode: "lines+markers",
      x: sorted.map((centre) => item.turn(centre.centre_deg)),
      y: lengths(
        sorted.map((centre) => centre.drop_mm),
        look,
      ),
      error_x: {
        type: "data",
        array: sorted.map((centre) => 2 * (centre.u_deg ?? 0)),
        color: look.colours.ink2,
        thickness: 1.5,
      },
      line: { color: look.colours.accent, width: 2 },
      marker: { size: 8, symbol: "diamond", color: look.colours.accent },
      hovertemplate: `%{x:.2f}° at %{y} ${unitOf(look)} below the top<extra></extra>`,
    },
  ];
  const layout = baseLayout(look, "middle of the pair, crank degrees", `below peak lift, ${unitOf(look)}`);
  layout.yaxis.autorange = "reversed";
  if (Number.isFinite(item.result?.full_lift_deg))
    layout.shapes = [
      upright(item.turn(item.result.full_lift_deg), look, {
        dash: "dot",
        colour: look.colours.ink2,
        width: 1.5,
      }),
    ];
  return { data, layout };
}

/** What the fit leaves over, reading by reading. */
export function residualFigure(item, look, residuals) {
  return {
    data: readings(residuals, look),
    layout: baseLayout(look, angleTitle(item), `reading less fit, ${unitOf(look)}`, whole(item)),
  };
}

/** The raw streams over time; pauses banded, reversals and gaps marked, each named in its hover and below. */
export function streamsFigure(item, look, seen) {
  const { streams } = item;
  const data = [
    {
      type: "scatter",
      mode: "lines",
      name: "crank",
      x: streams.crankS,
      y: streams.crankDeg,
      yaxis: "y2",
      line: { color: look.colours.ink, width: 1.5 },
      hovertemplate: "%{x:.2f} s: %{y:.1f}°<extra>crank</extra>",
    },
    {
      type: "scatter",
      mode: "lines+markers",
      name: "gauge",
      x: streams.gaugeS,
      y: lengths(streams.gaugeMm, look),
      line: { color: look.colours.accent, width: 1 },
      marker: { size: 3.5, color: look.colours.accent },
      hovertemplate: `%{x:.2f} s: %{y} ${unitOf(look)}<extra>gauge</extra>`,
    },
  ];
  const layout = baseLayout(look, "seconds", `gauge, ${unitOf(look)}`, {
    yaxis: axis(`gauge, ${unitOf(look)}`, look, { domain: [0, 0.46] }),
    yaxis2: axis("crank, degrees", look, { domain: [0.54, 1] }),
    shapes: [
      ...seen.pauses.map(([from, to]) => band(from, to, look)),
      ...seen.reversals.map((time) =>
        upright(time, look, { dash: "dot", colour: look.colours.ink2, width: 1.5 }),
      ),
      ...seen.gaps.map(([from, to]) => ({
        ...band(from, to, look),
        fillcolor: look.colours.stop,
        opacity: 0.25,
      })),
    ],
    annotations: [
      ...seen.reversals.map((time) => label(time, "turned", look)),
      ...seen.gaps.map(([from]) => label(from, "gap", look)),
      ...seen.pauses.map(([from, to]) => label((from + to) / 2, "pause", look)),
    ],
  });
  layout.xaxis.anchor = "y";
  layout.margin.t = 48;
  layout.meta = { range: [0, highest(highest(0, streams.gaugeS), streams.crankS)] };
  return { data, layout };
}

function label(x, text, look) {
  return {
    x,
    y: 1,
    xref: "x",
    yref: "paper",
    text,
    showarrow: false,
    yanchor: "bottom",
    textangle: -45,
    xanchor: "left",
    font: { size: 12, color: look.colours.ink2 },
  };
}

function nthColour(at, look) {
  return at % 2 ? look.colours.ink : look.colours.accent;
}

/** Crank degrees of lobes are marked from the dead centres; cam degrees and an encoder's are not. */
function anglesOf(items, degrees) {
  return items[0].what === "lobe" && degrees === "crank" ? "lobe" : "plain";
}

/** Two or more curves over one another. `curves` are already aligned and on one turn, in crank or cam degrees. */
export function overlayFigure(items, curves, look, degrees) {
  const data = curves.map((curve, at) =>
    line(curve, look, {
      name: items[at].title,
      colour: nthColour(at, look),
      dash: DASHES[at % DASHES.length],
    }),
  );
  return {
    data,
    layout: baseLayout(look, `${degrees} degrees`, `lift, ${unitOf(look)}`, {
      showlegend: true,
      meta: { angles: anglesOf(items, degrees) },
    }),
  };
}

/** Each curve less the first. */
export function differenceFigure(items, differences, look, degrees) {
  const data = differences.map((curve, at) =>
    line(curve, look, {
      name: `${items[at + 1].title} less ${items[0].title}`,
      colour: nthColour(at + 1, look),
      dash: DASHES[(at + 1) % DASHES.length],
    }),
  );
  return {
    data,
    layout: baseLayout(look, `${degrees} degrees`, `difference, ${unitOf(look)}`, {
      showlegend: data.length > 1,
      meta: { angles: anglesOf(items, degrees) },
    }),
  };
}

/** Lift drawn over the piston's motion: what is left between them is the gap. `clearances` as the job's API gives. */
export function gapFigure(clearances, look) {
  const data = clearances.flatMap((one, at) => {
    const deg = one.curve.after_tdc_deg;
    const name = `${one.lobe.valve} ${one.lobe.cylinder}`;
    const piece = (mm, what, dash, width = 2.2) =>
      line({ deg, mm }, look, { name: `${name}: ${what}`, colour: nthColour(at, look), dash, width });
    const gap = piece(one.curve.clearance_mm, "gap", "solid", 3);
    const rest = [piece(one.curve.lift_mm, "valve lift", "dash")];
    if (at === 0)
      rest.push(
        line({ deg, mm: one.curve.piston_mm }, look, {
          name: "piston below its top",
          colour: look.colours.ink2,
          dash: "dot",
        }),
      );
    return [gap, ...rest];
  });
  const layout = baseLayout(look, "crank degrees from TDC", unitOf(look), {
    showlegend: true,
    meta: { angles: "lobe" },
  });
  layout.shapes = clearances.map((one) => ({
    type: "line",
    xref: "paper",
    x0: 0,
    x1: 1,
    y0: lengthValue(one.minimum_mm, look.lengthKind),
    y1: lengthValue(one.minimum_mm, look.lengthKind),
    line: { color: look.colours.stop, width: 1.5, dash: "longdash" },
  }));
  return { data, layout };
}
