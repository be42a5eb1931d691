import { firstPicture, frameOf, takeAway } from "/static/first_picture.js";
import { baseLayout } from "/static/figures.js";
import { equal, near, ok } from "./check.js";

const look = {
  colours: {
    ink: "#000",
    ink2: "#444",
    line: "#888",
    hair: "#ddd",
    accent: "#00f",
    wash: "#cdf",
    sheet: "#fff",
  },
  font: "sans-serif",
  lengthKind: "mm",
  angle: "atdc",
};
const fit = {
  type: "scatter",
  mode: "lines",
  x: [-100, 0, 100, NaN, 200],
  y: [0, 10, 0, null, 0],
  line: { color: "#00f", width: 2, dash: "solid" },
};
const peak = { type: "scatter", mode: "markers", x: [50], y: [30], marker: { size: 8, color: "#f00" } };
const band = { type: "rect", x0: 140, x1: 150, fillcolor: "#0f0", opacity: 1 };
const upright = { type: "line", x0: 160, x1: 160, line: { color: "#f0f", width: 3, dash: "solid" } };

function figure(more = {}) {
  const layout = baseLayout(look, "crank degrees from TDC", "lift, mm", {
    meta: { range: [-100, 200], angles: "lobe" },
    ...more,
  });
  return { data: [fit, peak], layout };
}

function box() {
  document.body.innerHTML = '<div id="box" style="position: relative; width: 600px; height: 400px"></div>';
  return document.getElementById("box");
}

/** Colour `[r, g, b]` where the figure's values `x`, `y` fall. */
function seen(canvas, frame, x, y) {
  const ratio = canvas.width / 600;
  return [
    ...canvas
      .getContext("2d")
      .getImageData(Math.round(frame.x(x) * ratio), Math.round(frame.y(y) * ratio), 1, 1)
      .data.slice(0, 3),
  ];
}

export const tests = {
  "the whole range and every value lie in the frame": () => {
    const frame = frameOf(figure(), 600, 400);
    near(frame.x(-100), frame.box.left);
    near(frame.x(200), frame.box.right);
    ok(frame.y(30) > frame.box.top && frame.y(0) < frame.box.floor);
  },
  "a figure without values has a frame still": () => {
    const frame = frameOf({ ...figure(), data: [] }, 600, 400);
    ok([frame.y(0), frame.x(0)].every(Number.isFinite));
  },
  "a single reading's peak is drawn, the fit and what marks the centre too": () => {
    const drawn = figure({ shapes: [band, upright] });
    const canvas = firstPicture(box(), drawn);
    const frame = frameOf(drawn, 600, 400);
    equal(seen(canvas, frame, 50, 30), [255, 0, 0], "peak");
    equal(seen(canvas, frame, 0, 10), [0, 0, 255], "top of the fit");
    equal(seen(canvas, frame, 145, 23), [0, 255, 0], "band");
    equal(seen(canvas, frame, 160, 23), [255, 0, 255], "upright");
  },
  "a hole in a line is not bridged": () => {
    const drawn = { ...figure(), data: [{ ...fit, x: [-100, 0, 50, 100, 200], y: [10, 10, null, 10, 10] }] };
    const canvas = firstPicture(box(), drawn);
    ok(String(seen(canvas, frameOf(drawn, 600, 400), 40, 10)) !== "0,0,255");
  },
  "a new picture takes the place of the old one, and is taken away": () => {
    const place = box();
    firstPicture(place, figure());
    firstPicture(place, figure());
    equal(place.querySelectorAll("canvas").length, 1);
    takeAway(place);
    equal(place.children.length, 0);
  },
};
