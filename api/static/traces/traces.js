/**
 * All stored traces, newest first; found by lobe, gauge, job or day; two or more laid over one another.
 */

import { get, upload } from "./ask.js";
import { centreParts } from "./bench_view.js";
import { byId, el, note, put, show, state } from "./dom.js";
import { goTo } from "./root.js";
import { startScreen } from "./screen.js";
import { joined } from "./units.js";
import { plainName, whatOf } from "./words.js";
import { matches } from "./find.js";

const PAGE = 200;
const { settings, bench, spoken } = startScreen();
const known = { all: [], jobs: new Map(), chosen: new Set(), more: true };

const STATES = {
  finished: ["live", "measured"],
  refused: ["stop", "no number"],
  running: ["quiet", "running"],
  discarded: ["stop", "thrown away"],
};

function when(text) {
  return new Date(text).toLocaleString(document.documentElement.lang, {
    dateStyle: "medium",
    timeStyle: "short",
  });
}

function chooser(measurement) {
  if (!measurement.result) return "";
  const box = el("input", { type: "checkbox", "aria-label": `Choose trace ${measurement.id}` });
  box.checked = known.chosen.has(measurement.id);
  box.addEventListener("change", () => {
    if (box.checked) known.chosen.add(measurement.id);
    else known.chosen.delete(measurement.id);
    show(byId("compare"), known.chosen.size > 1);
  });
  return el("label", { class: "check" }, box);
}

function row(measurement) {
  const { result } = measurement;
  const centre = result ? centreParts(measurement, result, settings.chosen) : null;
  const job = known.jobs.get(measurement.job_id);
  return el(
    "tr",
    {},
    el("td", { class: "pick" }, chooser(measurement)),
    el(
      "th",
      { scope: "row" },
      el("a", { href: `/traces/${measurement.id}` }, spoken(whatOf(measurement.touches))),
    ),
    el("td", { class: "num strong" }, centre ? `${joined(centre)} ${centre.interval}` : "–"),
    el("td", { class: "held" }, state(...STATES[measurement.state])),
    el("td", { class: "when" }, when(measurement.started_at)),
    el("td", { class: "of" }, plainName(measurement.gauge)),
    el("td", { class: "of" }, job ? el("a", { href: `/jobs/${measurement.job_id}` }, job) : ""),
    el("td", { class: "num quiet no" }, `no. ${measurement.id}`),
  );
}

function paint() {
  const asked = { words: byId("words").value, what: byId("what").value, day: byId("day").value };
  const found = known.all.filter((measurement) =>
    matches(measurement, asked, known.jobs.get(measurement.job_id) ?? ""),
  );
  put(
    byId("count"),
    found.length === known.all.length
      ? `${found.length} traces`
      : `${found.length} of ${known.all.length} traces`,
  );
  const heads = ["", "What", "Centre", "State", "When", "Gauge", "Job", ""].map((name, at) =>
    el("th", { scope: "col", class: at === 2 ? "num" : null }, name),
  );
  byId("list").replaceChildren(
    found.length
      ? el(
          "table",
          { class: "stack traces" },
          el("thead", {}, el("tr", {}, ...heads)),
          el("tbody", {}, ...found.map(row)),
        )
      : el(
          "p",
          { class: "quiet" },
          known.all.length
            ? "Nothing fits what you look for."
            : "Nothing has been measured yet. Start at the bench.",
        ),
  );
  show(byId("older"), known.more);
}

async function load(before) {
  const from = before ? `&before=${before}` : "";
  try {
    const { measurements } = await get(`/api/measurements?limit=${PAGE}${from}`);
    known.more = measurements.length === PAGE;
    known.all = before ? [...known.all, ...measurements] : measurements;
    byId("notes").replaceChildren();
  } catch (problem) {
    byId("notes").replaceChildren(note("stop", spoken(problem.message)));
  }
  paint();
  document.body.dataset.ready = "yes";
}

async function loadJobs() {
  const jobs = await get("/api/jobs").catch(() => []);
  for (const job of Array.isArray(jobs) ? jobs : []) known.jobs.set(job.id, job.reference);
}

function compare() {
  const [first, ...others] = [...known.chosen].sort((a, b) => a - b);
  goTo(`/traces/${first}?with=${others.join(",")}`);
}

/** What the server is sent: the file, and what it is where the file does not say. */
function brought() {
  const form = new FormData();
  form.append("file", byId("file").files[0]);
  const part = byId("bring-part").value;
  if (part) form.append("touches", `${part}_${byId("bring-number").value.trim().toLowerCase()}`);
  const gauge = byId("bring-gauge").value.trim();
  if (gauge) form.append("gauge", gauge);
  return form;
}

async function bring(event) {
  event.preventDefault();
  const button = byId("bring").querySelector("button");
  button.disabled = true;
  byId("bring-notes").replaceChildren();
  try {
    const measurement = await upload("/api/traces", brought());
    goTo(`/traces/${measurement.id}`);
  } catch (problem) {
    byId("bring-notes").replaceChildren(note("stop", spoken(problem.message)));
  }
  button.disabled = false;
}

byId("bring").addEventListener("submit", bring);
byId("bring-part").addEventListener("change", () =>
  show(byId("bring-number-box"), byId("bring-part").value !== ""),
);
byId("find").addEventListener("submit", (event) => event.preventDefault());
byId("find").addEventListener("input", paint);
byId("older").addEventListener("click", () => load(known.all[known.all.length - 1]?.id));
byId("compare").addEventListener("click", compare);
settings.addEventListener("change", paint);
// A measurement that ends while the list is open belongs at its top.
bench.addEventListener("change", (event) => event.detail.kind === "measurement" && load());
await loadJobs();
load();
