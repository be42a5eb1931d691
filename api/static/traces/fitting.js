/**
 * Compression, deck heights and a timing mark from what is typed; runout and end float from what the gauge has said.
 */

import { get, post } from "./ask.js";
import { gaugeChannels } from "./bench_state.js";
import { byId, el, note, refill, show, svg } from "./dom.js";
import {
  KEPT_COLUMNS,
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
  runoutRows,
  swingWords,
} from "./fitting_view.js";
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
  if (kept.fact === null) return el("p", {}, words);
  return el("p", {}, el("a", { href: `/jobs/${kept.job_id}` }, words));
}

const PARTS = "/api/fitting/parts";
const AT_ONCE = 20;

async function throwAway(number) {
  try {
    await post(`${PARTS}/${number}/throw_away`);
    await showKept();
  } catch (problem) {
    byId("kept-list").prepend(note("stop", spoken(problem.message)));
  }
}

/** What can be had of a result, and how it goes again. */
function ofResult(one) {
  const file = (name, words) => el("a", { href: `${PARTS}/${one.id}/${name}.csv`, download: "" }, words);
  return el(
    "span",
    { class: "kept-ways" },
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
  if (before === null) byId("kept-list").replaceChildren(rows);
  else if (lines.length) byId("kept-list").append(rows);
  shownUpTo = lines.at(-1)?.id ?? null;
  show(byId("kept-older"), lines.length === AT_ONCE);
}
byId("kept-older").addEventListener("click", () => showKept(shownUpTo));

/** What goes wrong is said where the answer would stand. */
function answers(form, told, bodyOf, shown) {
  byId(form).addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      const { part, ...fields } = Object.fromEntries(new FormData(byId(form)));
      const named = part.trim() ? `?part=${encodeURIComponent(part.trim())}` : "";
      const found = await post(`/api/fitting/${form}${named}`, bodyOf(fields));
      byId(told).replaceChildren(shown(found), whetherKept(found.kept));
      await showKept();
    } catch (problem) {
      byId(told).replaceChildren(note("stop", spoken(problem.message)));
    }
  });
}

answers("deck", "deck-told", deckBody, (found) => {
  byId("deck_mm").value = deckForRatio(found);
  return rowsOf(deckRows(found));
});
answers("compression", "ratio-told", compressionBody, (found) => rowsOf(compressionRows(found)));
answers("mark", "mark-told", markBody, (found) => el("p", {}, spoken(found.words)));
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

answers("runout", "runout-told", partBody, (found) =>
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
  ),
);
answers("end_float", "float-told", partBody, (found) => el("p", {}, spoken(found.words)));
showKept().catch((problem) => byId("kept-list").replaceChildren(note("stop", spoken(problem.message))));
document.body.dataset.ready = "yes";
