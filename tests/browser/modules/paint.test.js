import { EMPTY } from "/static/bench_state.js";
import { NumberBox, paintReadings, stayAwake } from "/static/paint.js";
import { el } from "/static/dom.js";
import { equal, ok } from "./check.js";

const same = (text) => text;
const gauge = {
  name: "dial_a",
  quantity: "gauge",
  state: "online",
  age_s: 0,
  rate_hz: 10,
  accepted: 1,
  rejected: 2,
  sentence: "Quiet.",
  last_lines: [],
};
const link = (state) => ({ state, ageMs: () => 3000 });

export const tests = {
  "a fresh number has no note": () => {
    const box = el("div");
    new NumberBox(box).paint({ label: "Crank", digits: "12.3", unit: "° ATDC", interval: "" }, null, same);
    equal(
      [
        box.querySelector(".figure-number").textContent,
        box.querySelector(".figure-degree").textContent,
        box.querySelector(".figure-unit").textContent,
        box.querySelector(".stale-note").hidden,
      ],
      ["12.3", "°", "ATDC", true],
    );
  },
  "a stale number is marked and says so in words": () => {
    const box = el("div");
    new NumberBox(box).paint(
      { label: "Crank", digits: "12.3", unit: "°", interval: "" },
      "Link lost. 3.0 s old.",
      same,
    );
    ok(
      box.classList.contains("stale") &&
        !box.querySelector(".stale-note").hidden &&
        box.textContent.includes("3.0 s old"),
    );
  },
  "readings are painted with their state": () => {
    const box = el("div");
    paintReadings(
      box,
      { ...EMPTY, channels: [gauge], latest: { dial_a: { value: 1.27 } } },
      link("live"),
      { length: "mm" },
      same,
    );
    ok(
      box.textContent.includes("1.27") &&
        box.textContent.includes("reading") &&
        box.textContent.includes("2 rejected"),
    );
  },
  "over a lost link every reading is struck": () => {
    const box = el("div");
    paintReadings(
      box,
      { ...EMPTY, channels: [gauge], latest: { dial_a: { value: 1.27 } } },
      link("lost"),
      { length: "mm" },
      same,
    );
    ok(box.querySelector(".reading.stale") && box.textContent.includes("3.0 s old"));
  },
  "no instruments is a sentence": () => {
    const box = el("div");
    paintReadings(box, EMPTY, link("live"), { length: "mm" }, same);
    ok(box.textContent.includes("No instrument"));
  },
  "asking a device to stay awake never fails the page": () => stayAwake(),
};
