/**
 * Compression, deck heights and a timing mark from what is typed; runout and end float from what the gauge has said.
 */

import { post } from "./ask.js";
import { gaugeChannels } from "./bench_state.js";
import { byId, el, note, refill, show, svg } from "./dom.js";
import {
  TOLD_COLUMNS,
  compressionBody,
  compressionRows,
  deckBody,
  deckForRatio,
  deckRows,
  markBody,
  partBody,
  roundLine,
  runoutRows,
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
  table(
    TOLD_COLUMNS,
    rows.map((row) => row.map((cell) => spoken(cell))),
    "",
  );

/** Where it was named: in which job it is kept, with a way there, or why not. */
function whetherKept(kept) {
  if (!kept) return [];
  if (kept.job_id === null) return [note("mind", spoken(kept.sentence))];
  return [el("p", {}, el("a", { href: `/jobs/${kept.job_id}` }, spoken(kept.sentence)))];
}

/** What goes wrong is said where the answer would stand. */
function answers(form, told, bodyOf, shown) {
  byId(form).addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      const { part, ...fields } = Object.fromEntries(new FormData(byId(form)));
      const named = part.trim() ? `?part=${encodeURIComponent(part.trim())}` : "";
      const found = await post(`/api/fitting/${form}${named}`, bodyOf(fields));
      byId(told).replaceChildren(shown(found), ...whetherKept(found.kept));
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
    el("p", { class: "quiet small" }, `0 to 360° after ${found.angles_from}, a line every quarter turn.`),
    rowsOf(runoutRows(found)),
  ),
);
answers("end_float", "float-told", partBody, (found) => el("p", {}, spoken(found.words)));
document.body.dataset.ready = "yes";
