/**
 * All lobes side by side: each on a rule of its error against the card, early to the left, late to the right. The
 * tolerance is a band, what lies outside it is hatched; a ring is as found, a diamond the newest measurement.
 */

import { el, svg } from "./dom.js";
import { errorWords, lobeTracks, ruleReach, stageWords } from "./job_view.js";
import { digits } from "./units.js";

const HEIGHT = 64;
const MIDDLE = 30;
/** Where the limits stand nearer to the card, one word says all three. */
const TICK_ROOM = 40;

function marksOf(track, x) {
  return track.marks.flatMap((mark, at) => {
    const last = at === track.marks.length - 1;
    const place = x(mark.error);
    const interval = svg("path", {
      d: `M${x(mark.error - mark.u95)} ${MIDDLE}H${x(mark.error + mark.u95)}`,
      stroke: "var(--ink)",
      "stroke-width": 2,
    });
    const shape = last
      ? svg("path", { d: `M${place} ${MIDDLE - 10}l9 10-9 10-9-10z`, fill: "var(--accent)" })
      : svg("circle", {
          cx: place,
          cy: MIDDLE,
          r: 6,
          fill: "var(--sheet)",
          stroke: "var(--ink)",
          "stroke-width": 2,
        });
    return [interval, shape];
  });
}

function rule(track, reach, width) {
  const x = (deg) => width / 2 + (deg / reach) * (width / 2 - 10);
  const inside = [x(-track.tolerance), x(track.tolerance)];
  const hatched = (from, to) =>
    svg("rect", {
      x: from,
      y: MIDDLE - 14,
      width: Math.max(0, to - from),
      height: 28,
      fill: "url(#rule-hatch)",
    });
  const limit = `${digits(track.tolerance, 1)}°`;
  const told =
    inside[1] - x(0) < TICK_ROOM
      ? [[0, `card ± ${limit}`]]
      : [
          [-track.tolerance, limit],
          [0, "card"],
          [track.tolerance, limit],
        ];
  const ticks = told.map(([deg, words]) =>
    svg(
      "text",
      { x: x(deg), y: HEIGHT - 4, "text-anchor": "middle", "font-size": 13, fill: "var(--ink-2)" },
      words,
    ),
  );
  const latest = track.marks[track.marks.length - 1];
  return svg(
    "svg",
    {
      viewBox: `0 0 ${width} ${HEIGHT}`,
      class: "lobe-rule",
      role: "img",
      "aria-label": `${track.name}: ${errorWords(latest.error)}, ${stageWords(latest.stage)}`,
    },
    svg(
      "defs",
      {},
      svg(
        "pattern",
        {
          id: "rule-hatch",
          width: 8,
          height: 8,
          patternUnits: "userSpaceOnUse",
          patternTransform: "rotate(45)",
        },
        svg("path", { d: "M0 0V8", stroke: "var(--line)", "stroke-width": 1.4 }),
      ),
    ),
    hatched(0, inside[0]),
    hatched(inside[1], width),
    svg("rect", {
      x: inside[0],
      y: MIDDLE - 14,
      width: inside[1] - inside[0],
      height: 28,
      fill: "none",
      stroke: "var(--line)",
      "stroke-width": 1,
    }),
    svg("path", {
      d: `M${x(0)} 4V${MIDDLE + 16}`,
      stroke: "var(--accent)",
      "stroke-width": 2,
      "stroke-dasharray": "14 3 3 3",
    }),
    ...ticks,
    ...marksOf(track, x),
  );
}

/** The drawing of all measured lobes, or a sentence when none can be compared yet. */
export function lobeRules(cams, width) {
  const tracks = lobeTracks(cams);
  if (!tracks.length) return [el("p", { class: "quiet" }, "No lobe has been compared with the card yet.")];
  const reach = ruleReach(tracks);
  const rows = tracks.map((track) =>
    el(
      "div",
      { class: "rule-row" },
      el(
        "div",
        { class: "rule-name" },
        el("strong", {}, track.name),
        el("span", {}, errorWords(track.marks[track.marks.length - 1].error)),
      ),
      rule(track, reach, width),
    ),
  );
  return [
    el(
      "div",
      { class: "rule-ends", "aria-hidden": "true" },
      el("span", {}, "← early"),
      el("span", {}, "late →"),
    ),
    ...rows,
    el(
      "p",
      { class: "quiet small" },
      "Ring: measured before. Diamond: newest. Line: its interval. Hatched: outside the tolerance.",
    ),
  ];
}
