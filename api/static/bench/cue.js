/**
 * Which way and how far, without reading a digit: a dimension that closes.
 *
 * The number stands in the middle as a chain-dotted line. Where the crank (or the plunger) is now stands left of it
 * while there is still some way to go on, right of it when it went past. The thick arrow between the two is the way.
 * A cam that is turned at a held crank has a round arrow beside it: the way it turns, as its own end is looked at.
 */

import { byId, el, show, svg } from "./dom.js";
import { digits, length } from "./units.js";

/** For degrees and for mm: finest distance that is shown apart, widest, and where the rule has its ticks. */
export const SCALES = {
  deg: { fine: 0.1, far: 180, ticks: [1, 5, 20, 90], there: 0.1 },
  mm: { fine: 0.005, far: 10, ticks: [0.05, 0.2, 1, 5], there: 0.01 },
};

/** Distance as a share of the half rule, 0 at the number and 1 far away: fine near, coarse far. */
export function share(distance, scale) {
  const { fine, far } = scale;
  return Math.min(1, Math.log1p(Math.abs(distance) / fine) / Math.log1p(far / fine));
}

/**
 * What the cue says: `way` is `on`, `back` or `there`; `place` is -1..1 (left: not there yet); `heads` is how many
 * arrowheads, more when farther; `words` say the same.
 */
export function readCue(guide, choices = {}) {
  if (guide?.move) return readTurn(guide);
  const inMm = guide?.to_go_deg === null || guide?.to_go_deg === undefined;
  const toGo = inMm ? guide?.to_go_mm : guide.to_go_deg;
  if (toGo === null || toGo === undefined || !Number.isFinite(toGo)) return null;
  const unit = inMm ? "mm" : "deg";
  const scale = SCALES[unit];
  const reach = share(toGo, scale);
  const told = guide.tone === "on_the_number" || (!guide.tone && Math.abs(toGo) < scale.there);
  const way = told ? "there" : toGo > 0 ? "on" : "back";
  const heads = way === "there" ? 0 : Math.max(1, Math.ceil(reach * 4));
  // On the number is where the bench says it is: no last tenth is asked for.
  const place = way === "there" ? 0 : toGo > 0 ? -reach : reach;
  return { unit, way, place, heads, words: wordsOf(way, toGo, unit, choices) };
}

/** The cue of a cam that is turned: always degrees, never a sign; "too far" only once the number was crossed. */
function readTurn({ move, tone }) {
  const reach = share(move.to_go_deg, SCALES.deg);
  const there = tone === "on_the_number";
  const far = `${digits(Math.abs(move.to_go_deg), 1)}°`;
  const turn = move.turn[0].toUpperCase() + move.turn.slice(1);
  const words = move.too_far ? `Too far: ${move.turn}, ${far} back` : `${turn}, ${far} to go`;
  return {
    unit: "deg",
    way: there ? "there" : move.too_far ? "back" : "on",
    turn: there ? "" : move.turn,
    place: there ? 0 : move.too_far ? reach : -reach,
    heads: there ? 0 : Math.max(1, Math.ceil(reach * 4)),
    words: there ? "On the number" : words,
  };
}

function wordsOf(way, toGo, unit, choices) {
  if (way === "there") return "On the number";
  const far =
    unit === "deg"
      ? `${digits(Math.abs(toGo), Math.abs(toGo) < 20 ? 1 : 0)}°`
      : length(Math.abs(toGo), choices.length);
  if (unit === "mm") return toGo > 0 ? `${far} to go` : `${far} too far`;
  return way === "on" ? `Turn on ${far}` : `Back ${far}`;
}

/** A round arrow, clockwise; the style sheet mirrors it for the other way. */
function turnArrow() {
  return svg(
    "svg",
    {
      class: "cue-turn",
      viewBox: "-52 -52 104 104",
      width: TURN - 16,
      height: TURN - 16,
      "aria-hidden": "true",
    },
    svg("path", {
      d: "M-28 -28A40 40 0 1 1 -28 28",
      fill: "none",
      stroke: "var(--accent)",
      "stroke-width": 11,
    }),
    svg("path", { d: "M-50 14L-8 10L-30 50z", fill: "var(--accent)" }),
    svg("circle", { r: 5, fill: "var(--ink)" }),
  );
}

const TURN = 120;
const HEIGHT = 104;
const TICK_ROOM = 32;
const MIDDLE = 46;

/** The drawing of a cue in a box; `draw` may be called for every painted frame. */
export class Cue {
  constructor(box) {
    this.box = box;
    this.words = Object.assign(document.createElement("p"), { className: "cue-words" });
    this.bar = svg("rect", { y: MIDDLE - 7, height: 14, fill: "var(--accent)" });
    this.heads = [0, 1, 2, 3].map(() => svg("path", { fill: "var(--accent)" }));
    this.now = svg("path", { stroke: "var(--ink)", "stroke-width": 4, fill: "none" });
    this.diamond = svg("path", { fill: "var(--accent)" });
    this.rule = svg("g", { stroke: "var(--line)", "stroke-width": 1.5, fill: "none" });
    this.labels = svg("g", { fill: "var(--ink-2)", "text-anchor": "middle", "font-size": 14 });
    this.target = svg("path", {
      stroke: "var(--accent)",
      "stroke-width": 2.5,
      "stroke-dasharray": "16 4 4 4",
      fill: "none",
    });
    this.svg = svg(
      "svg",
      { class: "cue", height: HEIGHT, "aria-hidden": "true" },
      this.rule,
      this.labels,
      this.bar,
      ...this.heads,
      this.target,
      this.diamond,
      this.now,
    );
    this.turn = turnArrow();
    box.append(this.words, el("div", { class: "cue-line" }, this.turn, this.svg));
    this.drawnFor = "";
  }

  #drawRule(width, unit) {
    if (this.drawnFor === width + unit) return;
    this.drawnFor = width + unit;
    this.svg.setAttribute("viewBox", `0 0 ${width} ${HEIGHT}`);
    const half = width / 2 - 14;
    let path = `M14 ${MIDDLE + 28}H${width - 14}`;
    const texts = [];
    const { ticks } = SCALES[unit];
    for (const tick of ticks) {
      // On a narrow rule the numbers would run into one another: the outermost stays, then those that have room.
      const away = share(tick, SCALES[unit]) * half;
      if (ticks.some((other) => other > tick && share(other, SCALES[unit]) * half - away < TICK_ROOM))
        continue;
      for (const side of [-1, 1]) {
        const x = width / 2 + side * away;
        path += `M${x.toFixed(1)} ${MIDDLE + 28}v7`;
        texts.push(svg("text", { x, y: HEIGHT - 8 }, `${tick}${unit === "deg" ? "°" : ""}`));
      }
    }
    this.rule.replaceChildren(svg("path", { d: path }));
    this.labels.replaceChildren(...texts);
    this.target.setAttribute("d", `M${width / 2} 0V${MIDDLE + 42}`);
  }

  draw(guide, choices) {
    const cue = readCue(guide, choices);
    show(this.box, Boolean(cue));
    if (!cue) return;
    if (this.words.textContent !== cue.words) this.words.textContent = cue.words;
    this.words.dataset.way = cue.way;
    this.turn.toggleAttribute("hidden", !cue.turn);
    this.turn.dataset.turn = cue.turn ?? "";
    const width = Math.max(240, (this.box.clientWidth || 320) - (cue.turn ? TURN : 0));
    this.#drawRule(width, cue.unit);
    const half = width / 2 - 14;
    const x = width / 2 + cue.place * half;
    const left = Math.min(x, width / 2);
    this.bar.setAttribute("x", left.toFixed(1));
    this.bar.setAttribute("width", cue.way === "there" ? 0 : Math.abs(x - width / 2).toFixed(1));
    this.now.setAttribute("d", `M${x.toFixed(1)} 8V${MIDDLE + 28}`);
    this.diamond.setAttribute(
      "d",
      cue.way === "there" ? `M${width / 2} ${MIDDLE - 26}l26 26-26 26-26-26z` : "",
    );
    this.#drawHeads(cue, x, width / 2);
  }

  /** Arrowheads from the target back along the way, at their true size even when the way is short. */
  #drawHeads(cue, from, to) {
    const sense = from < to ? 1 : -1;
    this.heads.forEach((head, at) => {
      const tip = to - sense * at * 30;
      const fits = at === 0 || Math.abs(from - tip) > 26;
      const drawn = cue.heads > at && fits && cue.way !== "there";
      head.setAttribute("d", drawn ? `M${tip.toFixed(1)} ${MIDDLE}l${-sense * 26} -20v40z` : "");
    });
  }
}

/** The cue of a page, where it has one. */
export function pageCue() {
  const box = byId("cue");
  return box ? new Cue(box) : null;
}
