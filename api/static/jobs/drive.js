/**
 * Slack of a job's cam drives, and what it has grown by since the last job on the engine.
 */

import { get } from "./ask.js";
import { byId, note, put, state } from "./dom.js";
import { SLACK_COLUMNS, notSeen, queryOf, slackRows } from "./drive_view.js";
import { startScreen } from "./screen.js";
import { table } from "./trace_tables.js";

const { spoken } = startScreen();
const source = byId("notes").dataset.source;

async function load() {
  const typed = Object.fromEntries(["teeth", "pitch", "links"].map((name) => [name, byId(name).value]));
  try {
    const found = await get(`${source}${queryOf(typed)}`);
    const rows = slackRows(found.cams, state).map((row) =>
      row.map((cell) => (typeof cell === "string" ? spoken(cell) : cell)),
    );
    byId("cams").replaceChildren(table(SLACK_COLUMNS, rows, ""));
    const missing = notSeen(found.not_seen);
    byId("notes").replaceChildren(...(missing ? [note("mind", spoken(missing))] : []));
    put(
      byId("last"),
      found.last_job === null
        ? "No earlier job on this engine tells its slack."
        : `Last time: job ${found.last_job}, ${found.last_job_reference}.`,
    );
  } catch (problem) {
    byId("notes").replaceChildren(note("stop", spoken(problem.message)));
  }
}

byId("line").addEventListener("submit", (event) => {
  event.preventDefault();
  load();
});

load().then(() => {
  document.body.dataset.ready = "yes";
});
