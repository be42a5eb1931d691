/**
 * Compression, deck heights and a timing mark from what is typed; runout and end float from what the gauge has said.
 */

import { get, post } from "./ask.js";
import { gaugeChannels } from "./bench_state.js";
import { byId, el, note, refill, renew, show, svg } from "./dom.js";
import { limitOfReadings, startReading } from "./fitting_read.js";
import {
  KEPT_COLUMNS,
  canBeNamed,
  TOLD_COLUMNS,
  compressionBody,
  compressionRows,
  deckBody,
  deckForRatio,
  deckRows,
  keptKind,
  keptRow,
  markBody,
  partBody,
  roundLine,
  ofTheJob,
  runoutRows,
  stripPath,
  swingWords,
  waitingWords,
} from "./fitting_view.js";
import { download } from "./save.js";
import { startScreen } from "./screen.js";
import { table } from "./trace_tables.js";

const { bench, spoken } = startScreen();

/** Which gauge is asked only where there are several. */
function followGauges() {
  const names = gaugeChannels(bench.now).map((channel) => channel.name);
  for (const box of document.querySelectorAll(".gauge-box")) {
    refill(box.querySelector("select"), String(names), () =>
      names.map((name) => el("option", { value: name }, spoken(name))),
    );
    show(box, names.length > 1);
  }
}
bench.addEventListener("change", followGauges);

/** What the open job's own measurements tell of its fitting stands on pages of the job. */
function followJob() {
  const job = bench.now.guide?.job_id ?? null;
  const box = byId("of-job");
  show(box, job !== null);
  refill(box, String(job), () =>
    ofTheJob(job).map(([href, words]) => el("a", { href, class: "plain-button" }, words)),
  );
}
bench.addEventListener("change", followJob);

const rowsOf = (rows) =>
  el(
    "div",
    { class: "told-numbers" },
    table(
      TOLD_COLUMNS,
      rows.map((row) => row.map((cell) => spoken(cell))),
      "",
    ),
  );

/** As what it is kept, with a way to its job. */
function whetherKept(kept) {
  const words = spoken(kept.sentence);
  const inner = kept.fact === null ? words : el("a", { href: `/jobs/${kept.job_id}` }, words);
  return el("p", { "data-part": kept.number }, inner);
}

const FITTING = "/api/fitting";
const PARTS = `${FITTING}/parts`;
const AT_ONCE = 20;

async function throwAway(number) {
  try {
    await post(`${PARTS}/${number}/throw_away`);
    await showKept();
  } catch (problem) {
    byId("kept-told").replaceChildren(note("stop", spoken(problem.message)));
  }
}

/** Names what was kept without a name. */
async function giveName(number, part) {
  try {
    const kept = await post(`${PARTS}/${number}/name?part=${encodeURIComponent(part.trim())}`);
    byId("kept-told").replaceChildren(whetherKept(kept));
    // What stood where it was told would go on saying that it has no name.
    for (const told of document.querySelectorAll(`[data-part="${number}"]`))
      told.replaceWith(whetherKept(kept));
    await showKept();
  } catch (problem) {
    byId("kept-told").replaceChildren(note("stop", spoken(problem.message)));
  }
}

function naming(one) {
  const box = el("input", { type: "text", maxlength: 60, required: "", "aria-label": "Name of the part" });
  const form = el(
    "form",
    { class: "kept-naming" },
    box,
    el("button", { class: "plain-button" }, "Keep the name"),
  );
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (box.value.trim()) giveName(one.id, box.value);
  });
  const button = el("button", { type: "button", class: "plain-button" }, "Name it");
  button.setAttribute("aria-label", `Name the ${keptKind(one).toLowerCase()}`);
  button.addEventListener("click", () => {
    button.replaceWith(form);
    box.focus();
  });
  return button;
}

/** What can be had of a result, and how it goes again. */
function ofResult(one) {
  const file = (name, words) => el("a", { href: `${PARTS}/${one.id}/${name}.csv`, download: "" }, words);
  return el(
    "span",
    { class: "kept-ways" },
    canBeNamed(one) ? naming(one) : null,
    one.has_curve ? file("curve", "Curve") : null,
    one.has_readings ? file("trace", "Readings") : null,
    el(
      "button",
      {
        type: "button",
        class: "plain-button",
        "aria-label": `Throw away ${one.part || keptKind(one)}`,
        onclick: () => throwAway(one.id),
      },
      "Throw away",
    ),
  );
}

function keptCells(one) {
  const [at, part, what, found, limit] = keptRow(one);
  const numbers = el("span", {}, ...found.map((words) => el("span", { class: "a-line" }, spoken(words))));
  const job =
    one.job_id === null || !one.reference ? "" : el("a", { href: `/jobs/${one.job_id}` }, one.reference);
  return [at, part, spoken(what), numbers, spoken(limit), job, ofResult(one)];
}

let shownUpTo = null;
async function showKept(before = null) {
  const since = before === null ? "" : `&before=${before}`;
  const lines = await get(`${PARTS}?limit=${AT_ONCE}${since}`);
  const empty = before === null ? "None yet." : "";
  const rows = table(KEPT_COLUMNS, lines.map(keptCells), empty);
  if (before === null) renew(byId("kept-list"), rows);
  else if (lines.length) byId("kept-list").append(rows);
  shownUpTo = lines.at(-1)?.id ?? null;
  show(byId("kept-older"), lines.length === AT_ONCE);
}
byId("kept-older").addEventListener("click", () => showKept(shownUpTo));

/** What was typed into a form: the name as a query, and the body. */
function typedIn(form, bodyOf) {
  const { part, ...fields } = Object.fromEntries(new FormData(byId(form)));
  const named = part.trim() ? `?part=${encodeURIComponent(part.trim())}` : "";
  return [named, bodyOf(fields)];
}

/** What goes wrong is said where the answer would stand. */
function answers(form, told, bodyOf, shown) {
  byId(form).addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      const [named, body] = typedIn(form, bodyOf);
      const found = await post(`${FITTING}/${form}${named}`, body);
      byId(told).replaceChildren(shown(found), whetherKept(found.kept));
      await showKept();
    } catch (problem) {
      byId(told).replaceChildren(note("stop", spoken(problem.message)));
    }
  });
}

startReading(spoken);
const withLimit = (fields) => deckBody({ ...fields, repeat_mm: limitOfReadings() });
answers("deck", "deck-told", withLimit, (found) => {
  byId("deck_mm").value = deckForRatio(found);
  return rowsOf(deckRows(found));
});
answers("compression", "ratio-told", compressionBody, (found) => rowsOf(compressionRows(found)));
answers("mark", "mark-told", markBody, (found) => el("p", {}, spoken(found.words)));

byId("strip").addEventListener("submit", (event) => {
  event.preventDefault();
  byId("strip-told").replaceChildren();
  try {
    download(stripPath(byId("strip-rim").value, byId("strip-way").value), "");
  } catch (problem) {
    byId("strip-told").replaceChildren(note("stop", spoken(problem.message)));
  }
});

const WIDE = 360;
const HIGH = 90;

/** Round the turn: 0 at the left, 360 at the right, the highest place uppermost. */
const drawnRound = (found) =>
  svg(
    "svg",
    {
      viewBox: `-2 -2 ${WIDE + 4} ${HIGH + 4}`,
      class: "round-line",
      role: "img",
      "aria-label": `Reading round the turn, from 0 to 360 degrees after ${found.angles_from}`,
    },
    svg("path", {
      d: [0, 90, 180, 270, 360].map((deg) => `M${deg} 0V${HIGH}`).join(""),
      class: "round-marks",
    }),
    svg("polyline", { points: roundLine(found, WIDE, HIGH), class: "round-reading" }),
  );

const runoutShown = (found) =>
  el(
    "div",
    {},
    ...found.warnings.map((words) => note("mind", spoken(words))),
    el("p", {}, spoken(found.words)),
    drawnRound(found),
    el(
      "p",
      { class: "quiet small" },
      `0 to 360° after ${found.angles_from}, a line every quarter turn; lowest to highest ${swingWords(found)}.`,
    ),
    rowsOf(runoutRows(found)),
  );
const floatShown = (found) => el("p", {}, spoken(found.words));
answers("runout", "runout-told", partBody, runoutShown);
answers("end_float", "float-told", partBody, floatShown);

/** What is begun here and ends by itself. */
const AWAITED = { runout: ["runout-told", runoutShown], end_float: ["float-told", floatShown] };
const ASKED_EVERY_MS = 700;
let asking = null;

async function giveUp() {
  showAwaited(await post(`${FITTING}/awaited/give_up`));
}

function showAwaited(awaited) {
  clearTimeout(asking);
  const [box, shown] = AWAITED[awaited.kind];
  if (awaited.state === "waiting") {
    const words = el("p", {}, spoken(waitingWords(awaited)));
    const stop = el("button", { type: "button", class: "plain-button", onclick: giveUp }, "Stop waiting");
    const there = byId(box).querySelector(".awaited");
    if (there) there.querySelector("p").replaceWith(words);
    else byId(box).replaceChildren(el("div", { class: "awaited" }, words, stop));
    asking = setTimeout(followAwaited, ASKED_EVERY_MS);
  } else if (awaited.state === "told") {
    const found = awaited[awaited.kind];
    renew(byId(box), shown(found), whetherKept(found.kept));
    showKept();
  } else renew(byId(box), note(awaited.state === "refused" ? "stop" : "mind", spoken(awaited.sentence)));
}

async function followAwaited() {
  try {
    const awaited = await get(`${FITTING}/awaited`);
    if (awaited) showAwaited(awaited);
  } catch {
    asking = setTimeout(followAwaited, ASKED_EVERY_MS);
  }
}

for (const button of document.querySelectorAll("[data-await]"))
  button.addEventListener("click", async () => {
    const kind = button.dataset.await;
    const [box] = AWAITED[kind];
    try {
      const [named, body] = typedIn(kind, partBody);
      byId(box).replaceChildren();
      showAwaited(await post(`${FITTING}/${kind}/await${named}`, body));
    } catch (problem) {
      byId(box).replaceChildren(note("stop", spoken(problem.message)));
    }
  });

get(`${FITTING}/awaited`)
  .then((awaited) => awaited?.state === "waiting" && showAwaited(awaited))
  .catch(() => null);
showKept().catch((problem) => byId("kept-list").replaceChildren(note("stop", spoken(problem.message))));
document.body.dataset.ready = "yes";
