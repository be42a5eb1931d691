/**
 * The first picture of a figure: on the page at once, while the large drawing library is still being read. It shows
 * all that the figure holds; what it cannot do (nearer, read off, save) comes with the library, which takes its place.
 *
 * Figures are those of `figures.js` with one pair of straight axes: lines, markers, uprights and bands.
 */

import { angleMarks, lengthTicks } from "./curve_scale.js";
import { digits } from "./units.js";

/** Room above and below the values, and for an axis's name, as the library leaves it: nothing jumps when it comes. */
const ROOM = 0.066;
const FOR_A_NAME = 10;
const NAME_SIZE = 1.2;
/** Dashes by name, in widths of the line, none thinner than three pixels: as the library draws them. */
const DASHES = {
  solid: [],
  dot: [1, 1],
  dash: [3, 3],
  longdash: [5, 5],
  dashdot: [3, 1, 1, 1],
  longdashdot: [5, 2, 2, 2],
};

/** Where a figure's values fall in a box of `width` by `height` pixels. */
export function frameOf({ data, layout }, width, height) {
  const { l, r, t } = layout.margin;
  const b = layout.margin.b + FOR_A_NAME;
  const [xs, ys] = ["x", "y"].map((name) => data.flatMap((trace) => trace[name]));
  const [left, right] = layout.meta?.range ?? reach(xs, 0);
  const [low, high] = reach(ys, ROOM);
  return {
    left,
    right,
    low,
    high,
    box: { left: l, right: width - r, top: t, floor: height - b },
    x: (value) => l + ((value - left) / (right - left)) * (width - l - r),
    y: (value) => height - b - ((value - low) / (high - low)) * (height - t - b),
  };
}

function reach(values, room) {
  let [low, high] = [Infinity, -Infinity];
  for (const value of values) {
    if (!Number.isFinite(value)) continue;
    if (value < low) low = value;
    if (value > high) high = value;
  }
  if (!(low < high)) return Number.isFinite(low) ? [low - 1, low + 1] : [0, 1];
  return [low - room * (high - low), high + room * (high - low)];
}

/** Put the first picture of a figure into `box`; gives the canvas, which `takeAway` takes out again. */
export function firstPicture(box, figure) {
  takeAway(box);
  const canvas = document.createElement("canvas");
  canvas.className = "first-picture";
  const { clientWidth: width, clientHeight: height } = box;
  const ratio = Math.min(window.devicePixelRatio || 1, 2);
  [canvas.width, canvas.height] = [width * ratio, height * ratio];
  box.append(canvas);
  const pen = canvas.getContext("2d");
  pen.scale(ratio, ratio);
  const frame = frameOf(figure, width, height);
  shapes(pen, frame, figure.layout, "rect");
  axes(pen, frame, figure.layout, box);
  pen.save();
  pen.beginPath();
  pen.rect(frame.box.left, frame.box.top, frame.box.right - frame.box.left, frame.box.floor - frame.box.top);
  pen.clip();
  for (const trace of figure.data) {
    if (trace.mode.includes("lines")) lines(pen, frame, trace);
    if (trace.mode.includes("markers")) markers(pen, frame, trace);
  }
  shapes(pen, frame, figure.layout, "line");
  pen.restore();
  return canvas;
}

export function takeAway(box) {
  box.querySelector(".first-picture")?.remove();
}

function axes(pen, frame, layout, box) {
  const { left, right, top, floor } = frame.box;
  const { xaxis, yaxis, font } = layout;
  pen.font = `${font.size}px ${font.family}`;
  pen.lineWidth = 1;
  pen.fillStyle = yaxis.color;
  pen.textAlign = "right";
  pen.textBaseline = "middle";
  const { ticks, decimals } = lengthTicks(frame.low, frame.high, Math.max(2, (floor - top) / 56));
  for (const tick of ticks) {
    const y = Math.round(frame.y(tick)) + 0.5;
    stroke(pen, tick === 0 ? yaxis.zerolinecolor : yaxis.gridcolor, [
      [left, y],
      [right, y],
    ]);
    pen.fillText(digits(tick, decimals), left - 8, y);
  }
  pen.textAlign = "center";
  pen.textBaseline = "top";
  const { values, texts } = angleMarks([frame.left, frame.right], box.clientWidth, layout.meta);
  values.forEach((value, at) => {
    const x = Math.round(frame.x(value)) + 0.5;
    stroke(pen, value === 0 ? xaxis.zerolinecolor : xaxis.gridcolor, [
      [x, top],
      [x, floor],
    ]);
    stroke(pen, xaxis.tickcolor, [
      [x, floor],
      [x, floor + 5],
    ]);
    pen.fillText(texts[at], x, floor + 8);
  });
  stroke(pen, yaxis.linecolor, [
    [left - 0.5, top],
    [left - 0.5, floor + 0.5],
    [right, floor + 0.5],
  ]);
  pen.font = `${NAME_SIZE * font.size}px ${font.family}`;
  pen.textBaseline = "alphabetic";
  pen.fillText(xaxis.title.text, (left + right) / 2, floor + 45);
  pen.translate(26, (top + floor) / 2);
  pen.rotate(-Math.PI / 2);
  pen.fillText(yaxis.title.text, 0, 0);
  pen.rotate(Math.PI / 2);
  pen.translate(-26, -(top + floor) / 2);
}

function stroke(pen, colour, places) {
  pen.strokeStyle = colour;
  pen.beginPath();
  for (const [at, [x, y]] of places.entries()) {
    if (at) pen.lineTo(x, y);
    else pen.moveTo(x, y);
  }
  pen.stroke();
}

function dashed(pen, { dash = "solid", width }) {
  pen.lineWidth = width;
  pen.setLineDash((DASHES[dash] ?? []).map((part) => part * Math.max(width, 3)));
}

function lines(pen, frame, { x, y, line }) {
  dashed(pen, line);
  pen.strokeStyle = line.color;
  pen.beginPath();
  let drawing = false;
  x.forEach((value, at) => {
    const there = Number.isFinite(value) && Number.isFinite(y[at]);
    if (there && drawing) pen.lineTo(frame.x(value), frame.y(y[at]));
    else if (there) pen.moveTo(frame.x(value), frame.y(y[at]));
    drawing = there;
  });
  pen.stroke();
  pen.setLineDash([]);
}

function markers(pen, frame, { x, y, marker }) {
  pen.fillStyle = pen.strokeStyle = marker.color;
  pen.lineWidth = 1;
  x.forEach((value, at) => {
    if (!Number.isFinite(value) || !Number.isFinite(y[at])) return;
    const half = (Array.isArray(marker.size) ? marker.size[at] : marker.size) / 2;
    const symbol = Array.isArray(marker.symbol) ? marker.symbol[at] : marker.symbol;
    mark(pen, symbol ?? "circle", frame.x(value), frame.y(y[at]), half);
  });
}

function mark(pen, symbol, x, y, half) {
  pen.beginPath();
  if (symbol.startsWith("circle")) pen.arc(x, y, half, 0, 6.2832);
  else if (symbol.startsWith("line-ns")) {
    pen.moveTo(x, y - half);
    pen.lineTo(x, y + half);
  } else {
    const to = symbol === "triangle-left" ? -half : half;
    pen.moveTo(x + to, y);
    pen.lineTo(x - to / 2, y - half);
    pen.lineTo(x - to / 2, y + half);
  }
  if (symbol.endsWith("-open")) pen.stroke();
  else pen.fill();
}

/** Uprights and bands over the whole height. */
function shapes(pen, frame, layout, type) {
  const { top, floor } = frame.box;
  for (const shape of (layout.shapes ?? []).filter((one) => one.type === type)) {
    const [from, to] = [frame.x(shape.x0), frame.x(shape.x1)];
    if (type === "rect") {
      pen.globalAlpha = shape.opacity;
      pen.fillStyle = shape.fillcolor;
      pen.fillRect(from, top, to - from, floor - top);
      pen.globalAlpha = 1;
      continue;
    }
    dashed(pen, shape.line);
    stroke(pen, shape.line.color, [
      [from, floor],
      [to, top],
    ]);
    pen.setLineDash([]);
  }
}
