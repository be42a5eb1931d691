/**
 * Compression, deck heights and a timing mark, reckoned from what is typed.
 */

import { post } from "./ask.js";
import { byId, el, note } from "./dom.js";
import {
  TOLD_COLUMNS,
  compressionBody,
  compressionRows,
  deckBody,
  deckForRatio,
  deckRows,
  markBody,
} from "./fitting_view.js";
import { startScreen } from "./screen.js";
import { table } from "./trace_tables.js";

const { spoken } = startScreen();

const rowsOf = (rows) =>
  table(
    TOLD_COLUMNS,
    rows.map((row) => row.map((cell) => spoken(cell))),
    "",
  );

/** What goes wrong is said where the answer would stand. */
function answers(form, told, bodyOf, show) {
  byId(form).addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      const body = bodyOf(Object.fromEntries(new FormData(byId(form))));
      byId(told).replaceChildren(show(await post(`/api/fitting/${form}`, body)));
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
document.body.dataset.ready = "yes";
