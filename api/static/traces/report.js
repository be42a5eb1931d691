/**
 * A cam report: one lobe of a trace, or every lobe of a job beside its card and its neighbours.
 */

import { get, post } from "./ask.js";
import { byId, el, note, put, show } from "./dom.js";
import { draw, lookOf } from "./plots.js";
import {
  LIFT_COLUMNS,
  againstFigure,
  againstTold,
  besideTable,
  bothTable,
  liftRows,
  profileFigure,
} from "./report_tables.js";
import { startScreen } from "./screen.js";
import { othersToChoose, table } from "./trace_tables.js";
import { whatOf } from "./words.js";

const source = byId("notes").dataset.source;
const number = Number(source.split("/")[3]);
const ofJob = source.startsWith("/api/jobs/");
const { settings, spoken, guarded } = startScreen();
const shown = { lobes: [], overlaps: [], at: 0 };

async function load() {
  if (ofJob) {
    const found = await get(source);
    shown.overlaps = found.overlaps;
    shown.lobes = found.lobes.map((lobe) => ({
      ...lobe,
      title: whatOf(`${lobe.valve}_${lobe.cylinder.toLowerCase()}`),
    }));
    return;
  }
  const [measurement, report] = await Promise.all([get(`/api/measurements/${number}`), get(source)]);
  shown.lobes = [{ title: whatOf(measurement.touches), report, measurement_id: number, card: null }];
}

const withReport = () => shown.lobes.filter((lobe) => lobe.report);

function paintHead() {
  put(byId("about"), ofJob ? `Job ${number}, the newest trace of every lobe.` : `Trace ${number}.`);
  const whose = new Map();
  for (const { title, report } of withReport())
    for (const { message } of report.warnings) whose.set(message, [...(whose.get(message) ?? []), title]);
  byId("notes").replaceChildren(
    ...[...whose].map(([message, titles]) =>
      note("mind", spoken(message), ofJob ? `${spoken(titles.join(", "))}:` : ""),
    ),
    ...shown.lobes
      .filter((lobe) => !lobe.report)
      .map((lobe) => note("mind", spoken(lobe.why_not), `${spoken(lobe.title)}: no report.`)),
  );
}

function paintSaves() {
  const lobe = withReport()[shown.at];
  const unit = settings.chosen.length === "mm" ? "mm" : "in";
  byId("save").replaceChildren(
    el(
      "a",
      { class: "plain-button", href: ofJob ? `/jobs/${number}` : `/traces/${number}` },
      ofJob ? "The job" : "The curve",
    ),
    ...(lobe
      ? ["crank", "cam"].map((by) =>
          el(
            "a",
            {
              class: "plain-button",
              href: `/api/measurements/${lobe.measurement_id}/report.csv?by=${by}&unit=${unit}`,
              download: true,
            },
            `Save by ${by} degree (CSV)`,
          ),
        )
      : []),
  );
}

function told({ columns, rows }, empty) {
  const spokenColumns = columns.map(([name, num]) => [spoken(name), num]);
  return table(
    spokenColumns,
    rows.map((row) => row.map((cell) => spoken(cell))),
    empty,
  );
}

function paintTables() {
  const kind = settings.chosen.length;
  byId("beside").classList.toggle("told-numbers", shown.lobes.length < 3);
  byId("beside").replaceChildren(told(besideTable(shown.lobes, kind), "Nothing is measured yet."));
  show(byId("both-sheet"), shown.overlaps.length > 0);
  if (shown.overlaps.length) byId("both").replaceChildren(told(bothTable(shown.overlaps, kind), ""));
}

async function paintLobe() {
  const lobe = withReport()[shown.at];
  paintSaves();
  if (!lobe) return;
  const rows = liftRows(lobe.report, settings.chosen);
  byId("lifts").replaceChildren(told({ columns: LIFT_COLUMNS, rows }, "None could be told."));
  await draw(byId("plot"), profileFigure(lobe.report.profile, lookOf(settings)));
}

function buildChoice() {
  const lobes = withReport();
  show(byId("which-box"), lobes.length > 1);
  byId("which").replaceChildren(
    ...lobes.map((lobe, at) => {
      const input = el("input", { type: "radio", name: "which", value: at });
      input.checked = at === shown.at;
      input.addEventListener("change", () => {
        shown.at = at;
        guarded(paintLobe);
      });
      return el("label", {}, input, el("span", {}, spoken(lobe.title)));
    }),
  );
}

// ---- against another profile ----

async function holdAgainst(asked) {
  const found = await asked();
  byId("against-told").replaceChildren(
    ...againstTold(found).map((sentence) => el("p", {}, spoken(sentence))),
  );
  show(byId("against-plot"), true);
  await draw(byId("against-plot"), againstFigure(found, lookOf(settings)));
}

/** What goes wrong is said beside the button that was pressed. */
async function held(asked) {
  try {
    await holdAgainst(asked);
  } catch (problem) {
    show(byId("against-plot"), false);
    byId("against-told").replaceChildren(note("stop", spoken(problem.message)));
  }
}

async function buildAgainst() {
  if (ofJob) return;
  const all = (await get("/api/measurements?limit=500")).measurements;
  const others = othersToChoose(all, number, "lobe", spoken);
  byId("other").replaceChildren(...others);
  byId("hold-trace").disabled = !others.length;
  const here = `/api/measurements/${number}`;
  byId("hold-trace").addEventListener("click", () =>
    held(() => get(`${here}/against?other=${byId("other").value}`)),
  );
  byId("hold-table").addEventListener("click", () =>
    held(() =>
      post(`${here}/against_table`, {
        table: byId("table").value,
        unit: byId("table-unit").value,
        degrees: byId("table-degrees").value,
      }),
    ),
  );
}

async function paintAll() {
  paintHead();
  paintTables();
  await paintLobe();
}

guarded(async () => {
  await load();
  buildChoice();
  await paintAll();
  await buildAgainst();
  settings.addEventListener("change", () => guarded(paintAll));
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => guarded(paintAll));
}).then(() => {
  document.body.dataset.ready = "yes";
});
