/**
 * How far a cam may go, early to the left and late to the right, before a valve is too near its piston. The line is
 * where it may go, hatched where it may not; the ring is where it stands, the diamond where the correction would put
 * it. Pure.
 */

import { el, svg } from "./dom.js";
import { digits } from "./units.js";

const HEIGHT = 64;
const MIDDLE = 30;

/** How far one way, in words; the table may end before the least clearance is reached. */
export function farWords(deg, ends) {
  return ends ? `${digits(deg, 1)}°` : `${digits(deg, 0)}° and more`;
}

/** Half width of the rule in degrees: the room both ways and the move that is wanted fit. */
export function roomReach(room, toMakeDeg) {
  return 1.25 * Math.max(2, room.earlier_deg, room.later_deg, Math.abs(toMakeDeg ?? 0));
}

/** Whether a move, positive = later, stays inside the room. */
export function isInside(room, toMakeDeg) {
  return toMakeDeg < 0 ? -toMakeDeg <= room.earlier_deg : toMakeDeg <= room.later_deg;
}

function hatch(from, to) {
  return svg("rect", {
    x: from,
    y: MIDDLE - 14,
    width: Math.max(0, to - from),
    height: 28,
    fill: "url(#room-hatch)",
  });
}

function marks(x, toMakeDeg) {
  const stands = svg("circle", {
    cx: x(0),
    cy: MIDDLE,
    r: 6,
    fill: "var(--sheet)",
    stroke: "var(--ink)",
    "stroke-width": 2,
  });
  if (!Number.isFinite(toMakeDeg)) return [stands];
  const place = x(toMakeDeg);
  return [stands, svg("path", { d: `M${place} ${MIDDLE - 10}l9 10-9 10-9-10z`, fill: "var(--accent)" })];
}

function pattern() {
  return svg(
    "defs",
    {},
    svg(
      "pattern",
      {
        id: "room-hatch",
        width: 8,
        height: 8,
        patternUnits: "userSpaceOnUse",
        patternTransform: "rotate(45)",
      },
      svg("path", { d: "M0 0V8", stroke: "var(--stop)", "stroke-width": 1.6 }),
    ),
  );
}

function rule(room, toMakeDeg, width, label) {
  const reach = roomReach(room, toMakeDeg);
  const x = (deg) => width / 2 + (deg / reach) * (width / 2 - 10);
  const ends = [
    [-room.earlier_deg, farWords(room.earlier_deg, room.earlier_ends)],
    [room.later_deg, farWords(room.later_deg, room.later_ends)],
  ];
  return svg(
    "svg",
    { viewBox: `0 0 ${width} ${HEIGHT}`, class: "lobe-rule", role: "img", "aria-label": label },
    pattern(),
    room.earlier_ends ? hatch(0, x(-room.earlier_deg)) : svg("g", {}),
    room.later_ends ? hatch(x(room.later_deg), width) : svg("g", {}),
    svg("path", {
      d: `M${x(-room.earlier_deg)} ${MIDDLE}H${x(room.later_deg)}`,
      stroke: "var(--ink)",
      "stroke-width": 3,
    }),
    ...ends.map(([deg, words], at) =>
      svg(
        "text",
        {
          x: x(deg),
          y: HEIGHT - 4,
          "text-anchor": at ? "end" : "start",
          "font-size": 13,
          fill: "var(--ink-2)",
        },
        words,
      ),
    ),
    ...marks(x, toMakeDeg),
  );
}

function row(one, job, width) {
  const cam = job.cams.find((standing) =>
    standing.measured.some(
      (measured) => measured.valve === one.lobe.valve && measured.cylinder === one.lobe.cylinder,
    ),
  );
  const wanted = cam && cam.verdict?.call !== "in" ? cam.to_make_deg : null;
  const name = `${one.lobe.valve} ${one.lobe.cylinder} to ${one.room.of}`;
  const beyond = Number.isFinite(wanted) && !isInside(one.room, wanted);
  return el(
    "div",
    { class: "rule-row" },
    el(
      "div",
      { class: "rule-name" },
      el("strong", {}, name),
      el("span", {}, beyond ? "the correction goes too far" : "room to move"),
    ),
    rule(one.room, wanted, width, `${name}. ${one.room.sentence}`),
  );
}

/** The drawing of every valve whose room is known; empty where none is. */
export function roomRules(clearances, job, width) {
  const known = clearances.filter((one) => one.room);
  if (!known.length) return [];
  return [
    el(
      "div",
      { class: "rule-ends", "aria-hidden": "true" },
      el("span", {}, "← earlier"),
      el("span", {}, "later →"),
    ),
    ...known.map((one) => row(one, job, width)),
    el(
      "p",
      { class: "quiet small" },
      "Ring: where the cam stands. Diamond: where the correction would put it. Hatched: too near.",
    ),
  ];
}
