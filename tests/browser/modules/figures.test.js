import {
  centresFigure,
  curveFigure,
  differenceFigure,
  gapFigure,
  overlayFigure,
  polarFigure,
  ratesFigure,
  residualFigure,
  streamsFigure,
} from "/static/figures.js";
import { equal, near, ok } from "./check.js";

const look = {
  colours: {
    ink: "#000",
    ink2: "#444",
    line: "#888",
    hair: "#ccc",
    accent: "#00f",
    wash: "#eef",
    stop: "#a00",
    sheet: "#fff",
  },
  font: "x",
  lengthKind: "mm",
  angle: "atdc",
};
const deg = Array.from({ length: 241 }, (_, at) => at - 120);
const lift = { deg, mm: deg.map((d) => 9 * Math.exp(-((d / 50) ** 2))) };
const item = {
  id: 1,
  what: "lobe",
  title: "Inlet lobe 1, no. 1",
  period: 720,
  lift,
  curve: { deg, mm: lift.mm.map((mm) => 11 - mm) },
  top: { sense: -1, mm: 2 },
  base: 11,
  points: { deg: [0, 10, 20], mm: [2, 2.4, 3], way: [1, 1, -1] },
  centre: 0,
  u95: 0.1,
  turn: (d) => d,
  pairs: [{ drop_mm: 1.27, before_deg: -20, after_deg: 20, midpoint_deg: 0 }],
  result: { full_lift_deg: 0.2 },
  detail: {
    centres: [
      { drop_mm: 1, centre_deg: 0.1, u_deg: 0.02 },
      { drop_mm: 0.5, centre_deg: 0, u_deg: 0.02 },
    ],
  },
  streams: { crankS: [0, 1, 2], crankDeg: [0, 30, 60], gaugeS: [0, 1, 2], gaugeMm: [1, 2, 3] },
};

export const tests = {
  "a lobe stands with its top up though its gauge counts down": () => {
    const fit = curveFigure(item, look).data.find((trace) => trace.name === "fit");
    near(Math.max(...fit.y), 9, 1e-9);
  },
  "readings of the two ways differ by shape": () => {
    const symbols = curveFigure(item, look)
      .data.filter((trace) => trace.mode === "markers")
      .map((trace) => trace.marker.symbol ?? "circle");
    equal(new Set(symbols).size, 2);
  },
  "the centre is drawn with its interval": () => {
    const { shapes } = curveFigure(item, look).layout;
    ok(
      shapes.some((shape) => shape.type === "rect" && shape.x0 === -0.1 && shape.x1 === 0.1) &&
        shapes.some((shape) => shape.type === "line" && shape.x0 === 0),
    );
  },
  "lengths are drawn in this screen's unit": () => {
    const fit = curveFigure(item, { ...look, lengthKind: "inch" }).data.find((trace) => trace.name === "fit");
    near(Math.max(...fit.y), 9 / 25.4, 1e-9);
  },
  "a trace without a fit shows the gauge's own readings": () =>
    equal(
      curveFigure({ ...item, curve: null, top: null, lift: null, centre: NaN }, look).layout.yaxis.title.text,
      "gauge, mm",
    ),
  "lift, velocity and acceleration share one axis of angles": () => {
    const { data } = ratesFigure(item, look);
    equal(
      data.map((trace) => trace.yaxis),
      ["y", "y2", "y3"],
    );
    equal(data[0].x.length, data[2].x.length);
  },
  "a polar lobe is drawn in cam degrees on a base circle": () => {
    const [circle, lobe] = polarFigure([item], look).data;
    equal(lobe.theta[0], deg[0] / 2);
    ok(Math.min(...lobe.r) >= Math.min(...circle.r) - 1e-9);
  },
  "centres are drawn by drop, top first": () =>
    equal(
      [centresFigure(item, look).data[0].y, centresFigure(item, look).layout.yaxis.autorange],
      [[0.5, 1], "reversed"],
    ),
  "residuals are readings less fit": () =>
    equal(
      residualFigure(item, look, { deg: [1], mm: [0.01], way: [1] }).layout.yaxis.title.text,
      "reading less fit, mm",
    ),
  "what is seen in the streams is named, not only coloured": () => {
    const { annotations } = streamsFigure(item, look, {
      pauses: [[0, 1]],
      reversals: [1],
      gaps: [[1, 2]],
    }).layout;
    equal(annotations.map((one) => one.text).sort(), ["gap", "pause", "turned"]);
  },
  "overlaid curves differ by dash, not by colour alone": () => {
    const dashes = overlayFigure([item, item, item], [lift, lift, lift], look, "crank").data.map(
      (trace) => trace.line.dash,
    );
    equal(new Set(dashes).size, 3);
  },
  "a difference says which less which": () =>
    ok(
      differenceFigure(
        [item, { ...item, title: "Inlet lobe 2, no. 2" }],
        [lift],
        look,
        "cam",
      ).data[0].name.includes("less Inlet lobe 1"),
    ),
  "the gap is drawn between lift and piston, with what must be left": () => {
    const clearance = {
      lobe: { valve: "inlet", cylinder: "1" },
      minimum_mm: 2,
      curve: { after_tdc_deg: [0, 10], clearance_mm: [3, 2.5], lift_mm: [1, 2], piston_mm: [0, 0.5] },
    };
    const { data, layout } = gapFigure([clearance], look);
    equal(data.length, 3);
    equal(layout.shapes[0].y0, 2);
  },
};
