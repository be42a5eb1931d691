/**
 * What every page has: the state of the bench in the title block, the choices of this screen, the folded menu.
 */

import { byId, el, note, put, refill, show, state } from "./dom.js";
import { EMPTY, next } from "./bench_state.js";
import { openLink, stillLink } from "./link.js";
import { STILL } from "./root.js";
import { Settings, CHOICES } from "./settings.js";
import { age } from "./units.js";
import { plainName, reword, say } from "./words.js";

const QUESTIONS = {
  length: ["Lengths in", { mm: "mm", inch: "inch", thou: "thou" }],
  angle: ["Angles as", { atdc: "ATDC, BTDC, ABDC, BBDC", plain: "plain degrees" }],
  words: ["Words", { british: "British: inlet, clearance", american: "American: intake, lash" }],
  light: ["Light", { auto: "as the device", light: "light", dark: "dark" }],
  sound: ["Tones", { off: "off", on: "on" }],
  speech: ["Spoken numbers", { off: "off", on: "on" }],
};

/** The state of the bench in one shape and a few words. Pure. */
export function benchState(linkState, ageMs, bench) {
  const old = age(ageMs / 1000);
  if (linkState === "lost") {
    return {
      state: "lost",
      kind: "stop",
      word: Number.isFinite(ageMs) ? `Link lost, ${old} old` : "No link to the bench",
    };
  }
  if (linkState === "connecting") return { state: "connecting", kind: "quiet", word: "Connecting" };
  if (!bench.captureAlive) return { state: "stopped", kind: "stop", word: "Bench stopped" };
  if (!bench.channels.length) return { state: "none", kind: "quiet", word: "No instruments" };
  const silent = bench.channels.filter((channel) => channel.state !== "online");
  if (silent.length) {
    return {
      state: "partly",
      kind: "mind",
      word: silent.length === 1 ? `${plainName(silent[0].name)} silent` : `${silent.length} silent`,
    };
  }
  return { state: "live", kind: "live", word: "Bench live" };
}

function question(name, settings) {
  const [legend, labels] = QUESTIONS[name];
  const options = CHOICES[name].map((value) => {
    const input = el("input", { type: "radio", name, value });
    input.checked = settings.chosen[name] === value;
    input.addEventListener("change", () => settings.set(name, value));
    return el("label", {}, input, el("span", {}, labels[value]));
  });
  return el("fieldset", {}, el("legend", {}, legend), el("div", { class: "options" }, ...options));
}

function footQuestion(settings) {
  const shown = () =>
    settings.chosen.footKey
      ? `The key “${settings.chosen.footKey}” presses the large button, and so does the space bar.`
      : "The space bar presses the large button.";
  const told = el("p", { role: "status" }, shown());
  const button = el("button", { type: "button", class: "plain-button" }, "Set a foot switch");
  button.addEventListener("click", () => {
    put(told, "Press the foot switch now. Escape leaves it as it was.");
    const take = (event) => {
      event.preventDefault();
      event.stopPropagation();
      if (event.key !== "Escape") settings.set("footKey", event.key === " " ? "" : event.key);
      put(told, shown());
      window.removeEventListener("keydown", take, true);
    };
    window.addEventListener("keydown", take, true);
  });
  return el("fieldset", {}, el("legend", {}, "Foot switch"), el("div", { class: "row" }, button, told));
}

function buildChoices(settings) {
  const speaks = "speechSynthesis" in window;
  const names = Object.keys(QUESTIONS).filter((name) => name !== "speech" || speaks);
  byId("choices")?.replaceChildren(...names.map((name) => question(name, settings)), footQuestion(settings));
}

function applyChoices(settings) {
  const { light, words } = settings.chosen;
  if (light === "auto") delete document.documentElement.dataset.light;
  else document.documentElement.dataset.light = light;
  document.documentElement.lang = words === "american" ? "en-US" : "en-GB";
  reword(document.body, words);
}

function buildMenu() {
  const button = byId("menu-button");
  const rooms = byId("rooms");
  button?.addEventListener("click", () => {
    const folded = rooms.dataset.folded !== "no";
    rooms.dataset.folded = folded ? "no" : "yes";
    button.setAttribute("aria-expanded", String(folded));
  });
}

/** Say something to a screen reader, politely. */
export function tell(text) {
  put(byId("said"), text);
}

const DARK = window.matchMedia("(prefers-color-scheme: dark)");

/** Is it dark on this screen now, by its own choice or the device's? */
export function isDark() {
  const own = document.documentElement.dataset.light;
  return own ? own === "dark" : DARK.matches;
}

/**
 * Start what every page shares. Returns the settings, the link, `spoken` (a text in this screen's words), `guarded` (do
 * something; what goes wrong is told in the page's notes) and a holder of the bench's state, which fires `change` after
 * each message (detail: the message) and `tick` four times a second for ages that grow without messages.
 */
export function startScreen() {
  const settings = new Settings();
  const bench = Object.assign(new EventTarget(), { now: EMPTY });
  const link = STILL ? stillLink() : openLink();
  const spoken = (text) =>
    say(
      text,
      settings.chosen.words,
      bench.now.channels.map((channel) => channel.name),
    );
  const guarded = async (action) => {
    try {
      await action();
    } catch (problem) {
      byId("notes").replaceChildren(note("stop", spoken(problem.message)));
    }
  };
  const drawState = () => {
    const box = byId("bench-state");
    if (!box || STILL) return;
    const told = benchState(link.state, link.ageMs(), bench.now);
    const word = spoken(told.word);
    box.dataset.state = told.state;
    refill(box, told.kind + word, () => state(told.kind, word));
  };
  link.addEventListener("message", (event) => {
    bench.now = next(bench.now, event.detail);
    bench.dispatchEvent(new CustomEvent("change", { detail: event.detail }));
    if (event.detail.kind !== "readings") drawState();
  });
  link.addEventListener("state", () => {
    drawState();
    tell(link.state === "lost" ? "Link to the bench lost." : "Link to the bench is live.");
    bench.dispatchEvent(new Event("tick"));
  });
  setInterval(() => {
    drawState();
    bench.dispatchEvent(new Event("tick"));
  }, 250);
  settings.addEventListener("change", () => applyChoices(settings));
  const dialog = byId("screen");
  byId("screen-button")?.addEventListener("click", () => {
    buildChoices(settings);
    dialog.showModal();
  });
  applyChoices(settings);
  buildMenu();
  show(byId("main"), true);
  return { settings, link, bench, spoken, guarded };
}
