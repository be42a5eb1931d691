/**
 * The bench: what the builder does now.
 */

import { get, post } from "./ask.js";
import { emptyPoints, gaugeChannels } from "./bench_state.js";
import {
  centreParts,
  keptState,
  nextTouch,
  staleness,
  stepWords,
  theButton,
  theCautions,
  theNumber,
  theSentence,
  theWarnings,
} from "./bench_view.js";
import { pageCue } from "./cue.js";
import { byId, el, note, put, refill, show, state } from "./dom.js";
import { onLargeButton } from "./hands.js";
import { LiveCurve, viewOfCurve } from "./live_curve.js";
import { NumberBox, paintReadings, stayAwake } from "./paint.js";
import { askReason } from "./reason.js";
import { isDark, startScreen, tell } from "./screen.js";
import { Sound } from "./sound.js";
import { joined } from "./units.js";
import { followZero } from "./zero.js";
import { plainName, whatOf } from "./words.js";

const { settings, link, bench, spoken } = startScreen();
const sound = new Sound(settings);
const number = new NumberBox(byId("figure"));
const cue = pageCue();
const curve = new LiveCurve(byId("curve"));
const choice = { touches: "piston_1", gauge: "", cylinders: 4 };
let toldCylinder = "1";
let trouble = "";
let busy = false;
let frame = 0;

// ---- painting: one frame at most for whatever came ----

function repaint() {
  if (!frame) frame = requestAnimationFrame(paint);
}

function paint() {
  frame = 0;
  const now = bench.now;
  const stale = staleness(link.state, link.ageMs(), now);
  paintWords(now, stale);
  number.paint(theNumber(now, settings.chosen), stale, spoken, now.guide?.card ?? "");
  paintEdge(now);
  paintButton(now);
  cue.draw(stale ? null : now.guide, settings.chosen);
  curve.draw(curveView(now));
  const newest = Math.max(0, ...Object.values(now.latest).map((latest) => latest.wall_ms));
  document.dispatchEvent(new CustomEvent("painted", { detail: { wallMs: newest, atMs: Date.now() } }));
}

function paintWords(now, stale) {
  const sentence = spoken(theSentence(now, link.state));
  put(byId("sentence"), sentence);
  const step = [stepWords(now.guide), now.guide?.step].filter(Boolean).join(": ");
  put(byId("step"), spoken(step));
  paintVerdict(now.guide, stale);
  put(byId("why"), spoken(now.guide?.why ?? ""));
  show(byId("why"), Boolean(now.guide?.why) && !stale);
  refill(byId("trouble"), trouble, () => (trouble ? note("stop", spoken(trouble)) : null));
  paintLines("mind", "cautions", theCautions(now));
  paintLines("doubts", "notes", theWarnings(now));
}

/** The verdict takes over the page; what is to be read before the crank is first turned does, too. */
function paintVerdict(guide, stale) {
  const headline = stale ? "" : spoken(guide?.headline ?? "");
  show(byId("headline"), Boolean(headline));
  put(byId("headline"), headline);
  byId("main").dataset.call = headline ? guide.call : "";
  byId("main").dataset.first = guide?.step_number === 1 && bench.now.measurement?.state !== "running";
}

function paintLines(box, list, lines) {
  const told = lines.map((line) => spoken(line));
  show(byId(box), told.length > 0);
  refill(byId(list), JSON.stringify(told), () => told.map((line) => note("mind", line)));
}

function paintEdge(now) {
  paintReadings(byId("readings"), now, link, settings.chosen, spoken);
  const kept = keptState(now);
  refill(byId("kept"), kept.kind + kept.word, () => state(kept.kind, kept.word));
}

function paintButton(now) {
  const button = theButton(now, choice, link.state);
  const node = byId("act");
  // Not disabled, for then the keyboard's focus would be gone: it only cannot be pressed.
  node.setAttribute("aria-disabled", busy || !button.ready);
  refill(node, button.label, () => [
    spoken(button.label),
    el("span", { class: "key-hint" }, button.ready ? "or the space bar" : ""),
  ]);
  const running = now.measurement?.state === "running";
  // Where the bench asks something, its answer is the one large button: nothing else is chosen beside it.
  const starts = !running && !now.guide?.job_id && !now.guide?.action;
  show(byId("choose"), starts && link.state === "live");
  show(byId("more"), link.state === "live");
  const job = now.guide?.job_id;
  refill(
    byId("more"),
    `${job} ${now.measurement?.id} ${now.measurement?.state} ${now.measurement?.touches}`,
    () => moreButtons(now.measurement, job),
  );
  paintHands(now.guide);
  const others = link.state === "live" ? (now.guide?.choices ?? []) : [];
  refill(byId("others"), JSON.stringify(others) + settings.chosen.words, () => others.map(choiceButton));
  // Far from the large button: a thumb that slips must not throw a measurement away.
  refill(byId("away"), String(running && link.state === "live"), () => running && awayButton());
}

/** The shop's one switch: with it measurements begin and end by themselves, on every screen. */
function paintHands(guide) {
  show(byId("hands"), link.state === "live" && bench.now.channels.length > 0);
  byId("hands-free").checked = Boolean(guide?.hands_free);
}

function awayButton() {
  const throwAway = () => act("discard");
  return el("button", { type: "button", class: "plain-button", onclick: throwAway }, "Throw this one away");
}

function choiceButton(choice) {
  const label = spoken(choice.label);
  const press = () =>
    choice.wants_reason
      ? askReason(label, bench.now.guide?.headline ?? "", label, (reason) => act(choice.action, { reason }))
      : act(choice.action);
  return el("button", { type: "button", class: "plain-button", onclick: press }, label);
}

function moreButtons(measurement, job) {
  return [
    job && el("a", { class: "plain-button", href: `/jobs/${job}` }, "The job"),
    measurement?.state === "finished" &&
      el(
        "a",
        { class: "plain-button", href: `/traces/${measurement.id}` },
        spoken(`Look at ${whatOf(measurement.touches)}`),
      ),
  ];
}

function curveView(now) {
  const { measurement, points } = now;
  const title = measurement ? `${whatOf(measurement.touches)} over crank degrees` : "The curve";
  put(byId("curve-title"), spoken(title));
  const count = points?.crankDeg.length ?? 0;
  put(
    byId("curve-note"),
    measurement
      ? `${count} readings, raw: they stand a little late. Dots: turned on, rings: back. Line: lag taken out.`
      : "It is drawn here while you measure.",
  );
  return viewOfCurve(now, settings.chosen, isDark());
}

/** The drawing in words, for whoever cannot see it; renewed once a second, not sixty times. */
function describeCurve() {
  const { measurement, result, points } = bench.now;
  const count = points?.crankDeg.length ?? 0;
  const centre =
    measurement && result ? ` Centre ${joined(centreParts(measurement, result, settings.chosen))}.` : "";
  byId("curve").setAttribute(
    "aria-label",
    spoken(
      measurement ? `${whatOf(measurement.touches)}, ${count} readings drawn.${centre}` : "No curve yet",
    ),
  );
}

// ---- doing ----

async function act(what, body = undefined) {
  if (busy || !what) return;
  busy = true;
  repaint();
  const { guide } = bench.now;
  try {
    (await ACTIONS[what]?.()) ?? (await otherAction(what, body));
    trouble = "";
    if (guide?.link && what === guide.action) window.location.href = guide.link;
  } catch (problem) {
    trouble = problem.message;
    sound.play("fault");
  }
  busy = false;
  repaint();
}

const ACTIONS = {
  async start() {
    const what = choice.touches.startsWith("piston") ? "tdc" : "lobe";
    await post("/api/measurements", { what, gauge: choice.gauge, touches: choice.touches });
    return true;
  },
  async finish() {
    const { id, touches } = bench.now.measurement;
    await post(`/api/measurements/${id}/finish`);
    chooseNext(touches);
    return true;
  },
  async discard() {
    await post(`/api/measurements/${bench.now.measurement.id}/discard`);
    return true;
  },
};

/** What a job's step asks for is an address of the server's own, posted to as it is. */
async function otherAction(action, body) {
  if (action.startsWith("/api/")) await post(action, body);
}

/** What is begun by a press next; hands-free stays on the cylinder that was said, whatever is measured there. */
function chooseNext(touches) {
  const next = nextTouch(touches, choice.cylinders);
  if (bench.now.guide?.hands_free && cylinderOf(next) !== cylinderOf(touches)) return;
  choice.touches = next;
  paintChoice();
}

function paintChoice() {
  const [part, number] = choice.touches.split("_");
  for (const input of document.querySelectorAll('input[name="part"]')) input.checked = input.value === part;
  byId("touch-number").value = number;
}

function buildChoice() {
  const parts = { piston: "piston", inlet: "inlet valve", exhaust: "exhaust valve" };
  byId("touch-part").replaceChildren(
    ...Object.entries(parts).map(([value, label]) => {
      const input = el("input", { type: "radio", name: "part", value });
      input.addEventListener("change", takeChoice);
      return el("label", {}, input, el("span", {}, spoken(label)));
    }),
  );
  const numbers = Array.from({ length: 16 }, (_, at) => el("option", { value: at + 1 }, String(at + 1)));
  byId("touch-number").replaceChildren(...numbers);
  byId("touch-number").addEventListener("change", takeChoice);
  byId("gauge").addEventListener("change", () => {
    choice.gauge = byId("gauge").value;
    repaint();
  });
  paintChoice();
}

function takeChoice() {
  const part = document.querySelector('input[name="part"]:checked')?.value ?? "piston";
  const cylinder = byId("touch-number").value;
  choice.touches = `${part}_${cylinder}`;
  if (cylinder !== toldCylinder) act("/api/bench/cylinder", { cylinder });
  repaint();
}

function cylinderOf(touches) {
  return touches.split("_")[1];
}

/** The cylinder is the bench's, not this screen's: what begins by itself is told as of that one. */
function followCylinder(guide) {
  if (!guide?.cylinder || guide.cylinder === toldCylinder) return;
  toldCylinder = guide.cylinder;
  choice.touches = `${choice.touches.split("_")[0]}_${toldCylinder}`;
  paintChoice();
}

function followGauges() {
  const names = gaugeChannels(bench.now).map((channel) => channel.name);
  const changed = refill(byId("gauge"), String(names), () =>
    names.map((name) => el("option", { value: name }, plainName(name))),
  );
  if (changed) choice.gauge = names.includes(choice.gauge) ? choice.gauge : (names[0] ?? "");
  byId("gauge").value = choice.gauge;
  show(byId("gauge-box"), names.length > 1);
}

// ---- hearing ----

/** A screen that slept, or came late, has a hole in its curve: the server has the whole. */
let fetching = false;
async function fillHole() {
  const { points, measurement } = bench.now;
  if (fetching || !measurement || !points?.missing) return;
  fetching = true;
  try {
    const trace = await get(`/api/measurements/${measurement.id}/trace?max_points=20000`);
    bench.now = { ...bench.now, points: pointsFrom(trace, measurement.id) };
  } catch {
    bench.now = { ...bench.now, points: emptyPoints(measurement.id) };
  }
  fetching = false;
  repaint();
}

function pointsFrom(trace, id) {
  return {
    ...emptyPoints(id),
    crankDeg: trace.crank_deg ?? [],
    gaugeMm: trace.gauge_mm ?? [],
    way: trace.way ?? [],
  };
}

let toldCentre = "";
let toldAt = 0;
/** The moving number is told to a screen reader, and spoken, when it stands still or every few seconds. */
function tellCentre(kind) {
  const { measurement, result } = bench.now;
  if (!measurement || !result) return;
  const text = `${whatOf(measurement.touches)}: ${joined(centreParts(measurement, result, settings.chosen))}`;
  const ended = kind === "measurement" && measurement.state === "finished";
  if (text === toldCentre || (!ended && performance.now() - toldAt < 6000)) return;
  toldCentre = text;
  toldAt = performance.now();
  tell(spoken(text));
  if (ended) sound.say(text);
}

function hear(message) {
  if (message.kind === "hello" || message.kind === "health") followGauges();
  if (message.kind === "hello" || message.kind === "measurement") trouble = "";
  if (message.kind === "guide" || message.kind === "hello") followGuide();
  if (message.kind === "measurement") followMeasurement(message.measurement);
  if (message.kind === "centre" || message.kind === "measurement") tellCentre(message.kind);
  if (bench.now.points?.missing) fillHole();
  repaint();
}

function followMeasurement({ state, touches, begun_by_itself: byItself }) {
  if (state === "finished" && byItself) chooseNext(touches);
  if (state !== "running" || !byItself) return;
  const text = spoken(`${whatOf(touches)}: it began by itself.`);
  tell(text);
  sound.say(text);
}

let toldTone = "";
let toldVerdict = "";
function followGuide() {
  const { guide } = bench.now;
  followCylinder(guide);
  sound.follow(guide?.tone, guide?.move?.to_go_deg ?? guide?.to_go_deg ?? (guide?.to_go_mm ?? NaN) * 10);
  if (guide && guide.headline !== toldVerdict) tellVerdict(guide);
  if (guide && guide.tone !== toldTone) {
    toldTone = guide.tone;
    if (guide.sentence) tell(spoken(guide.sentence));
    if (["on_the_number", "overshot"].includes(guide.tone)) sound.say(spoken(guide.sentence));
  }
}

function tellVerdict({ headline, call }) {
  toldVerdict = headline;
  if (!headline) return;
  sound.play(call === "in" ? "on_the_number" : "overshot");
  tell(spoken(headline));
  sound.say(spoken(headline));
}

byId("hands-free").addEventListener("change", (event) =>
  act("/api/bench/hands_free", { on: event.target.checked }),
);
stayAwake();
followZero(bench, repaint);
buildChoice();
bench.addEventListener("change", (event) => hear(event.detail));
bench.addEventListener("tick", () => {
  if (link.state !== "live") repaint();
  describeCurve();
});
settings.addEventListener("change", () => {
  sound.wake();
  repaint();
});
window.addEventListener("pointerdown", () => sound.wake());
onLargeButton(byId("act"), settings, () => {
  sound.wake();
  act(theButton(bench.now, choice, link.state).act);
});
repaint();
