/**
 * The parts that the bench and the wall paint alike: the one number, the instruments.
 */

import { readingOf } from "./bench_view.js";
import { el, put, refill, show, sign, state } from "./dom.js";
import { unitParts } from "./units.js";
import { plainName } from "./words.js";

/** The one number in its box. */
export class NumberBox {
  constructor(box) {
    this.box = box;
    this.label = el("span", { class: "figure-label" });
    this.number = el("span", { class: "figure-number", id: "number" });
    this.degree = el("span", { class: "figure-degree" });
    this.unit = el("span", { class: "figure-unit" });
    this.interval = el("span", { class: "figure-interval" });
    this.card = el("p", { class: "figure-card", hidden: true });
    this.line = el(
      "div",
      { class: "figure-line" },
      el("span", { class: "figure-digits" }, this.number, this.degree),
      this.unit,
      this.interval,
    );
    this.staleWords = el("span");
    this.staleNote = el("p", { class: "stale-note", hidden: true }, sign("stop"), this.staleWords);
    box.append(this.label, this.line, this.card, this.staleNote);
  }

  /**
   * `number` as `theNumber` gives it; `stale` a sentence, or null when fresh; `say` exchanges words; `card` is what the
   * number is held against.
   */
  paint(number, stale, say, card = "") {
    this.box.classList.toggle("was", !number.digits);
    show(this.line, Boolean(number.digits));
    show(this.card, Boolean(card));
    put(this.card, say(card));
    this.box.classList.toggle("stale", Boolean(stale));
    const [degree, unit] = unitParts(number.unit);
    put(this.label, say(number.label));
    put(this.number, number.digits);
    this.box.classList.toggle("long", number.digits.length > 6); // 154.499 would not fit a phone
    put(this.degree, degree);
    put(this.unit, unit);
    put(this.interval, number.interval);
    show(this.staleNote, Boolean(stale));
    put(this.staleWords, say(stale ?? ""));
  }
}

function row(channel) {
  return el(
    "div",
    { class: "reading", data: { channel: channel.name } },
    el(
      "div",
      { class: "reading-name" },
      el("span", {}, plainName(channel.name)),
      el("span", { class: "reading-state" }),
    ),
    el(
      "div",
      { class: "reading-value" },
      el("span"),
      el("small", { class: channel.quantity === "crank" ? "degree" : "" }),
    ),
    el("div", { class: "reading-note" }),
  );
}

/** Every instrument with its reading, its state in shape and word, and what is to be said of it. */
export function paintReadings(box, bench, link, choices, say) {
  const { channels } = bench;
  refill(box, `${channels.map((channel) => channel.name)}`, () =>
    channels.length ? channels.map(row) : el("p", { class: "quiet" }, "No instrument is known yet."),
  );
  for (const channel of channels) {
    const node = box.querySelector(`[data-channel="${CSS.escape(channel.name)}"]`);
    const told = readingOf(channel, bench.latest[channel.name], link.state, link.ageMs(), choices);
    node.classList.toggle("stale", told.stale);
    refill(node.querySelector(".reading-state"), told.kind + told.word, () => state(told.kind, told.word));
    const [digits, unit] = node.querySelector(".reading-value").children;
    put(digits, told.digits);
    put(unit, told.unit);
    put(node.querySelector(".reading-note"), say(told.note));
  }
}

/** Ask the device not to sleep while somebody is under the engine; only secure pages may, and a refusal is no harm. */
export function stayAwake() {
  const ask = () =>
    document.visibilityState === "visible" && navigator.wakeLock?.request("screen").catch(() => {});
  document.addEventListener("visibilitychange", ask);
  ask();
}
