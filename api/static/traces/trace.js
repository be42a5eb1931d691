/**
 * One stored trace: its number, its drawings, its tables, and others laid over it.
 */

import { get } from "./ask.js";
import { centreParts } from "./bench_view.js";
import { byId, el, note, painted, put, show } from "./dom.js";
import {
  RATE_REACH,
  centresFigure,
  curveFigure,
  differenceFigure,
  overlayFigure,
  polarFigure,
  ratesFigure,
  residualFigure,
  streamsFigure,
} from "./figures.js";
import { firstPicture } from "./first_picture.js";
import { NumberBox } from "./paint.js";
import { draw, isThere, lookOf, pan, saveCsv, savePicture, undraw, zoom } from "./plots.js";
import { STILL, addressOf, isElsewhere, measurementPath } from "./root.js";
import { startScreen } from "./screen.js";
import { aligned, difference, gaps, inCamDegrees, marks, rates, sameTurn } from "./series.js";
import { encoderTurned, fromElsewhere, itemFrom, readAt, residualsOf } from "./trace_item.js";
import {
  BUDGET_COLUMNS,
  EVENT_COLUMNS,
  PAIR_COLUMNS,
  PASS_COLUMNS,
  budgetRows,
  elsewhereToChoose,
  eventRows,
  factRows,
  othersToChoose,
  pairRows,
  passRows,
  shareBar,
  shiftTold,
  table,
  turnedWords,
} from "./trace_tables.js";
import { angleTyped, digits, length, lengthValue } from "./units.js";
import { plainName, whatOf } from "./words.js";

const id = Number(window.location.pathname.split("/").filter(Boolean).pop());
const { settings, spoken, guarded } = startScreen();
const number = new NumberBox(byId("figure"));
const shown = {
  measurement: null,
  item: null,
  view: "curve",
  others: [],
  degrees: "crank",
  placed: "found",
  repeats: null,
};

const ONLY_LOBES =
  "Only lobes of different benches are laid over one another: a piston stands where its own encoder says.";

const VIEWS = {
  curve: ["Curve", () => true],
  rates: ["Lift, velocity, acceleration", (item) => item.what === "lobe" && item.lift],
  polar: ["Polar", (item) => item.what === "lobe" && item.lift],
  centres: ["Centre against lift", (item) => item.pairs.length > 1],
  residuals: ["Fit residual", (item) => Boolean(item.curve)],
  streams: ["As it came in", () => true],
};

async function load(name) {
  const path = measurementPath(name);
  const [measurement, trace] = await Promise.all([get(path), get(`${path}/trace`)]);
  const item = itemFrom(measurement, trace);
  return { measurement, item: isElsewhere(name) ? fromElsewhere(item, name) : item };
}

// ---- head and tables ----

function paintHead() {
  const { measurement, item } = shown;
  put(byId("title"), spoken(whatOf(measurement.touches)));
  document.title = `${spoken(whatOf(measurement.touches))} · trace ${id} · Lobewright`;
  const when = new Date(measurement.started_at).toLocaleString(document.documentElement.lang, {
    dateStyle: "medium",
    timeStyle: "short",
  });
  put(
    byId("about"),
    spoken(`Trace ${id}, ${when}, gauge ${plainName(measurement.gauge)}, ${measurement.state}.`),
  );
  byId("save-trace").href = addressOf(`/api/measurements/${id}/trace.csv`);
  const notes = [];
  if (measurement.error) notes.push(note("stop", spoken(measurement.error.message), "No number."));
  for (const warning of item.result?.warnings ?? []) notes.push(note("mind", spoken(warning.message)));
  byId("notes").replaceChildren(...notes);
}

/** What was refused has its reason and its curve, and no sheets that say so once more. */
function paintNumber() {
  const { measurement, item } = shown;
  show(byId("number-sheet"), Boolean(item.result));
  show(byId("tables"), Boolean(item.result));
  if (!item.result) return;
  const method =
    item.what === "lobe"
      ? `Lobe centre, ${length(item.result.drop_mm, settings.chosen.length)} below full lift`
      : "True TDC, in the encoder's degrees";
  const told = { label: method, ...centreParts(measurement, item.result, settings.chosen) };
  number.paint(told, null, spoken);
  byId("facts").replaceChildren(
    ...factRows(item, settings.chosen).map(([name, value]) =>
      el("div", {}, el("dt", {}, spoken(name)), el("dd", {}, value)),
    ),
  );
}

function paintTables() {
  const { item } = shown;
  if (!item.result) return;
  const { chosen } = settings;
  byId("pairs").replaceChildren(table(PAIR_COLUMNS, pairRows(item, chosen), "None could be taken."));
  byId("passes").replaceChildren(
    table(PASS_COLUMNS, passRows(item, chosen), "No pass through the dwell was seen."),
  );
  const budget = budgetRows(item).map(([source, u, share]) => [spoken(source), u, shareBar(share)]);
  byId("budget").replaceChildren(table(BUDGET_COLUMNS, budget, "No interval was computed."));
  show(byId("events-sheet"), item.what === "lobe");
  byId("events").replaceChildren(table(EVENT_COLUMNS, eventRows(item, chosen), "None could be told."));
}

// ---- the drawing ----

function figureOf(view, look) {
  const { item } = shown;
  if (view === "rates") return ratesFigure(item, look);
  if (view === "polar") return polarFigure([item, ...shown.others], look);
  if (view === "centres") return centresFigure(item, look);
  if (view === "residuals") return residualFigure(item, look, residualsOf(item));
  if (view === "streams") return streamsFigure(item, look, seenInStreams());
  return curveFigure(item, look);
}

function seenInStreams() {
  const { streams } = shown.item;
  return { ...marks(streams.crankS, streams.crankDeg), gaps: gaps(streams.gaugeS) };
}

function noteOf(view) {
  if (view === "curve" && !shown.item.result)
    return "Dots were turned on, rings back. There is no fit, so no centre and no band.";
  if (view === "curve")
    return (
      "The lag is taken out. Dots were turned on, rings back. Arrows join equal readings; " +
      "the chain-dotted line is the centre, the band its interval."
    );
  if (view === "rates")
    return `Per crank degree, each point by a parabola over ${RATE_REACH}° either side of it.`;
  if (view === "polar")
    return "Lift over a base circle drawn for the eye; cam degrees, clockwise. What is laid over is drawn here too.";
  if (view === "centres") return "A line that leans means unlike flanks. Dotted: the nose.";
  if (view === "residuals")
    return shown.item.what === "lobe"
      ? "Each reading less the fitted curve at the same angle; the way back is left out, it shows the slack."
      : "Each reading less the fitted curve at the same angle.";
  const { pauses, reversals, gaps: missing } = seenInStreams();
  const gaps = `Gaps in the gauge's readings: ${missing.length}.`;
  return `Pauses: ${pauses.length}. Turned round: ${reversals.length}. ${gaps}`;
}

function paintWords() {
  put(byId("drawing-title"), spoken(VIEWS[shown.view][0]));
  put(byId("plot-note"), spoken(noteOf(shown.view)));
}

/** The curve is looked at while the library that draws everything else is still being read. */
async function paintFirst() {
  paintWords();
  firstPicture(byId("plot"), figureOf(shown.view, lookOf(settings)));
  await painted();
  performance.mark("curve-painted");
}

async function paintPlot() {
  const box = byId("plot");
  const look = lookOf(settings);
  paintWords();
  // The library keeps axes of the old kind when polar and straight ones follow each other: start afresh.
  await undraw(box);
  await draw(box, figureOf(shown.view, look));
  box.on("plotly_hover", (event) => readOff(event.points[0]));
}

function readOff(point) {
  if (Number.isFinite(point?.x))
    put(
      byId("read-off"),
      `${digits(point.x, 2)}${shown.view === "streams" ? " s" : "°"}: ${digits(point.y, 3)}`,
    );
}

/** Reading a curve off without a pointer: an angle is typed, every curve that is shown says its lift there. */
function paintReadAt() {
  const text = byId("read-at").value;
  const deg = angleTyped(text);
  const { length: unit } = settings.chosen;
  const [first, ...others] = readAt([shown.item, ...shown.others], deg).map(({ title, mm }) => ({
    title,
    mm,
    words: Number.isFinite(mm) ? length(mm, unit, { finer: 1 }) : "not read there",
  }));
  const less = (mm) =>
    Number.isFinite(mm) && Number.isFinite(first.mm)
      ? ` (${length(mm - first.mm, unit, { signed: true, finer: 1 })})`
      : "";
  const told = !text.trim()
    ? ""
    : !Number.isFinite(deg)
      ? "That is no angle: write 108, 108 ATDC or 40 ABDC."
      : [
          `${first.title}: ${first.words}`,
          ...others.map((one) => `${one.title}: ${one.words}${less(one.mm)}`),
        ].join("; ");
  put(byId("read-told"), spoken(told));
}

function buildViews() {
  const usable = Object.entries(VIEWS).filter(([, [, fits]]) => fits(shown.item));
  byId("views").replaceChildren(
    ...usable.map(([value, [name]]) =>
      option("view", value, name, shown.view, () => {
        shown.view = value;
        paintPlot();
      }),
    ),
  );
}

function option(name, value, label, chosen, taken) {
  const input = el("input", { type: "radio", name, value });
  input.checked = value === chosen;
  input.addEventListener("change", taken);
  return el("label", {}, input, el("span", {}, spoken(label)));
}

const MOVES = {
  nearer: (box) => zoom(box, 0.5),
  farther: (box) => zoom(box, 2),
  left: (box) => pan(box, -0.25),
  right: (box) => pan(box, 0.25),
  all: (box) => zoom(box, 0),
};

function buildMoves() {
  for (const button of document.querySelectorAll("[data-move]")) {
    button.addEventListener(
      "click",
      () => byId("plot")._fullLayout?.xaxis && MOVES[button.dataset.move](byId("plot")),
    );
  }
}

// ---- others laid over ----

function placedCurves() {
  const items = [shown.item, ...shown.others];
  const { period } = shown.item;
  const pairs = items.map((item) => ({ curve: item.lift, centre: item.centre }));
  const onOne =
    shown.placed === "aligned"
      ? aligned(pairs, period)
      : pairs.map(({ curve }) => sameTurn(pairs[0].curve, curve, period));
  return { items, curves: shown.degrees === "cam" ? onOne.map(inCamDegrees) : onOne };
}

async function paintOver() {
  await readRepeats();
  await paintTurned();
  if (shown.item.lift) paintReadAt();
  byId("laid").replaceChildren(
    ...shown.others.map((item) =>
      el(
        "button",
        { type: "button", class: "plain-button", onclick: () => takeOff(item.id) },
        `Take off ${spoken(item.title)}`,
      ),
    ),
  );
  show(byId("over-plots"), shown.others.length > 0);
  if (!shown.others.length) return;
  const look = lookOf(settings);
  const { items, curves } = placedCurves();
  const differences = curves.slice(1).map((curve) => difference(curves[0], curve));
  await draw(byId("over-plot"), overlayFigure(items, curves, look, shown.degrees));
  await draw(byId("difference-plot"), differenceFigure(items, differences, look, shown.degrees));
  put(
    byId("difference-note"),
    spoken(differences.map((curve, at) => differenceWords(items[at + 1], curve)).join(" ")),
  );
}

function differenceWords(item, curve) {
  const largest = curve.mm.reduce((most, mm, at) => (Math.abs(mm) > Math.abs(curve.mm[most]) ? at : most), 0);
  const told = shown.repeats?.others.find((one) => one.measurement_id === item.id && one.call);
  const apartU95 = isElsewhere(item.id) ? Math.hypot(item.u95, shown.item.u95) : undefined; // nothing in common
  const away = shiftTold(told?.by_deg ?? item.centre - shown.item.centre, told?.u95_deg ?? apartU95);
  const shift = `${item.title} stands ${away}${told ? ` (${told.call})` : ""}`;
  const apart = length(curve.mm[largest] ?? NaN, settings.chosen.length, { finer: 1 });
  return `${shift}; the largest difference is ${apart} at ${digits(curve.deg[largest] ?? NaN, 1)}°.`;
}

/** How the passes agree, and whether what is laid over differs by anything: the server judges, once for each choice. */
async function readRepeats() {
  const here = shown.others.filter((item) => !isElsewhere(item.id));
  const beside = here.map((item) => `beside=${item.id}`).join("&");
  if (shown.repeats?.beside === beside) return;
  shown.repeats = {
    ...(await get(`/api/measurements/${id}/repeatability${beside ? `?${beside}` : ""}`)),
    beside,
  };
  const { spread } = shown.repeats;
  put(byId("passes-told"), spoken(spread?.sentence ?? ""));
}

/** A lobe laid over that was measured with the encoder turned round: what the encoder adds cancels. */
async function paintTurned() {
  const turned = shown.others.filter((item) => !isElsewhere(item.id) && encoderTurned(shown.item, item));
  const told = await Promise.all(
    turned.map((item) => get(`/api/measurements/${id}/turned?beside=${item.id}`)),
  );
  byId("turned").replaceChildren(
    ...told.map((one) => el("p", { class: "sentence-small" }, spoken(turnedWords(one, settings.chosen)))),
  );
}

function takeOff(other) {
  shown.others = shown.others.filter((item) => item.id !== other);
  remember();
  guarded(paintLaid);
}

/** What is laid over shows below, and in the polar drawing too. */
async function paintLaid() {
  await paintOver();
  if (shown.view === "polar") await paintPlot();
}

async function layOverAnother(other) {
  if (!other || shown.others.some((item) => item.id === other)) return;
  const { item } = await load(other);
  if (!item.lift) throw new Error("That trace has no fitted curve to lay over.");
  if (isElsewhere(other) && item.what !== "lobe") throw new Error(ONLY_LOBES);
  shown.others = [...shown.others, item];
  remember();
  await paintLaid();
}

/** The address tells what is laid over, so that a page can be handed on. */
function remember() {
  const others = shown.others.map((item) => item.id).join(",");
  window.history.replaceState(null, "", others ? `?with=${others}` : window.location.pathname);
}

function buildOverChoices() {
  show(byId("read-at-box"), Boolean(shown.item.lift) && shown.item.what === "lobe");
  byId("read-at").addEventListener("input", paintReadAt);
  show(byId("over"), Boolean(shown.item.lift));
  show(byId("turned-how"), shown.item.what === "lobe");
  const again = (name) => (event) => {
    shown[name] = event.target.value;
    paintOver();
  };
  byId("degrees").replaceChildren(
    option("degrees", "crank", "crank", "crank", again("degrees")),
    option("degrees", "cam", "cam", "crank", again("degrees")),
  );
  byId("placed").replaceChildren(
    option("placed", "found", "as found", "found", again("placed")),
    option("placed", "aligned", "centres on one another", "found", again("placed")),
  );
  byId("add").disabled = true;
  byId("add").addEventListener("click", () => guarded(() => layOverAnother(nameOf(byId("other").value))));
}

/** `12`, or `west:12` of another bench; 0 where it is neither. */
const nameOf = (text) => (isElsewhere(text) ? text : Number(text) || 0);

/** Lobes that other benches of the shop have measured, where this page is one of several benches'. */
async function othersElsewhere() {
  if (!STILL || shown.item.what !== "lobe") return [];
  const own = window.location.pathname.split("/")[2];
  const { traces } = await get(`/api/shop/traces?what=lobe&but=${own}`).catch(() => ({ traces: [] }));
  return elsewhereToChoose(traces, spoken);
}

async function fillOver() {
  if (!shown.item.lift) return;
  const all = (await get("/api/measurements?limit=500")).measurements;
  const fitting = othersToChoose(all, id, shown.item.what, spoken);
  byId("other").replaceChildren(...fitting, ...(await othersElsewhere()));
  byId("add").disabled = !byId("other").options.length;
  const asked = new URLSearchParams(window.location.search).get("with") ?? "";
  for (const other of asked.split(",").map(nameOf).filter(Boolean))
    await guarded(() => layOverAnother(other));
}

// ---- saving ----

function saveTable() {
  const { item } = shown;
  const even = rates(item.lift, RATE_REACH, 1);
  const kind = settings.chosen.length;
  const rows = even.deg.map((deg, at) => [
    deg,
    ...[even.lift, even.velocity, even.acceleration].map((list) =>
      Number.isFinite(list[at]) ? lengthValue(list[at], kind) : "",
    ),
  ]);
  const unit = kind === "mm" ? "mm" : kind === "inch" ? "in" : "thou";
  saveCsv(
    `trace_${id}_by_degree`,
    ["crank_deg", `lift_${unit}`, `velocity_${unit}_per_deg`, `acceleration_${unit}_per_deg2`],
    rows,
  );
}

function buildSaves() {
  byId("save-png").addEventListener("click", () =>
    guarded(() => savePicture(byId("plot"), `trace_${id}_${shown.view}`, "png")),
  );
  byId("save-svg").addEventListener("click", () =>
    guarded(() => savePicture(byId("plot"), `trace_${id}_${shown.view}`, "svg")),
  );
  byId("save-table").addEventListener("click", saveTable);
  show(byId("save-table"), Boolean(shown.item.lift));
}

async function paintAll() {
  paintHead();
  paintNumber();
  paintTables();
  if (!isThere()) await paintFirst();
  await paintPlot();
  await paintOver();
}

guarded(async () => {
  Object.assign(shown, await load(id));
  buildViews();
  buildMoves();
  buildSaves();
  buildOverChoices();
  await paintAll();
  settings.addEventListener("change", () => guarded(paintAll));
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => guarded(paintAll));
  await fillOver();
  performance.mark("page-whole");
  document.body.dataset.ready = "yes";
});
