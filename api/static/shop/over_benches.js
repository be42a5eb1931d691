/**
 * All benches of a shop as they are now, and all their jobs, found by any word that stands in them.
 */

import { get } from "./ask.js";
import { byId, el, note, put, refill, show, state } from "./dom.js";
import { changedOn, jobStanding } from "./job_list.js";
import { benchNumber, benchStanding, copyLine, gaugeLine, isPage, jobAddress } from "./over_benches_view.js";
import { startScreen } from "./screen.js";
import { say } from "./words.js";

const EVERY_MS = 1000;
const TYPED_MS = 150;
const { settings, spoken } = startScreen();
const seen = { benches: [], lines: [], changes: -1, asked: 0, more: false };
const PAGE = 100;

// ---- benches ----

/** What the bench says, its instruments by their plain names. */
const saidThere = (told) => say(told.sentence, settings.chosen.words, Object.keys(told.readings));

function benchItem(bench) {
  const [kind, word] = benchStanding(bench);
  const number = benchNumber(bench, settings.chosen);
  const told = bench.word;
  const gauges = gaugeLine(bench, settings.chosen.length);
  return el(
    "li",
    { class: bench.stale ? "bench-item stale" : "bench-item" },
    el("div", { class: "sheet-head" }, el("h3", {}, bench.name), state(kind, word)),
    number &&
      el(
        "p",
        { class: "figure-line bench-number" },
        el("span", { class: "quiet small" }, spoken(number.label)),
        el("strong", {}, number.text),
        number.interval && el("span", {}, number.interval),
      ),
    gauges && el("p", { class: "quiet small" }, gauges),
    told?.sentence && !bench.stale && el("p", {}, saidThere(told)),
    told?.job &&
      el("p", {}, el("a", { href: `/of/${bench.name}/jobs/${told.job_id}` }, `Job ${spoken(told.job)}`)),
    copyLine(bench) && el("p", { class: "quiet small" }, copyLine(bench)),
    el(
      "p",
      { class: "row" },
      el("a", { class: "plain-button", href: `/of/${bench.name}/jobs` }, "Its jobs"),
      el("a", { class: "plain-button", href: `/of/${bench.name}/traces` }, "Its traces"),
      isPage(told?.address) &&
        el("a", { class: "plain-button", href: told.address, rel: "noreferrer" }, "Its own page"),
    ),
  );
}

function paintBenches() {
  refill(byId("benches"), JSON.stringify([seen.benches, settings.chosen]), () =>
    seen.benches.length
      ? seen.benches.map(benchItem)
      : [el("li", { class: "quiet" }, "No bench has been let into the archive yet.")],
  );
}

// ---- jobs ----

function jobItem(job) {
  return el(
    "li",
    { class: "job-line" },
    el(
      "a",
      { href: jobAddress(job), class: "job-name" },
      job.reference,
      job.customer && ` · ${job.customer}`,
    ),
    el(
      "span",
      { class: "quiet" },
      `${job.bench}, ${changedOn(job)}: `,
      el("a", { href: `/?engine=${encodeURIComponent(job.engine)}` }, job.engine),
      spoken(`, card ${job.card}`),
    ),
    jobStanding(job, spoken),
  );
}

const engineAsked = new URLSearchParams(window.location.search).get("engine") ?? "";

function paintJobs() {
  const looked = byId("words").value.trim() || engineAsked;
  byId("list").replaceChildren(
    ...(seen.lines.length
      ? seen.lines.map(jobItem)
      : [el("li", { class: "quiet" }, looked ? "No job fits." : "No job has arrived yet.")]),
  );
  show(byId("older"), seen.more);
}

function question(before) {
  const asked = new URLSearchParams({ words: byId("words").value, limit: PAGE });
  if (engineAsked) asked.set("engine", engineAsked);
  if (before) asked.set("before", before);
  return `/api/shop/jobs?${asked}`;
}

async function loadJobs(before) {
  seen.asked += 1;
  const mine = seen.asked;
  const { jobs } = await get(question(before));
  if (mine !== seen.asked) return; // something else was asked for meanwhile
  seen.more = jobs.length === PAGE;
  seen.lines = before ? [...seen.lines, ...jobs] : jobs;
  paintJobs();
}

// ---- on file ----

const fileItem = (one, name, told) =>
  el(
    "li",
    {},
    el(
      "div",
      {},
      el("strong", {}, name),
      el("div", { class: "quiet small" }, spoken(told)),
      el(
        "div",
        { class: "quiet small" },
        `${one.bench}, ${new Date(one.at).toLocaleDateString(document.documentElement.lang)}, ${one.by}`,
      ),
    ),
  );

async function loadOnFile() {
  const { engines, cards } = await get("/api/shop/on_file");
  const none = (what) => [el("li", { class: "quiet" }, `No ${what} is on file yet.`)];
  byId("engines").replaceChildren(
    ...(engines.length
      ? engines.map((one) =>
          fileItem(
            one,
            el("a", { href: `/?engine=${encodeURIComponent(one.engine.name)}` }, one.engine.name),
            `${one.engine.cylinders.length} cylinders, fires ${one.engine.firing_order.join("-")}`,
          ),
        )
      : none("engine")),
  );
  byId("cards").replaceChildren(
    ...(cards.length ? cards.map((one) => fileItem(one, one.card.name, one.card.maker)) : none("card")),
  );
}

// ---- following ----

const counted = (many, one, several) => `${many.toLocaleString("en-GB")} ${many === 1 ? one : several}`;

async function follow() {
  try {
    const told = await get("/api/shop/benches");
    seen.benches = told.benches;
    put(
      byId("count"),
      `${counted(told.jobs, "job", "jobs")} of ${counted(told.benches.length, "bench", "benches")}, to look at.`,
    );
    if (told.changes !== seen.changes && seen.lines.length <= PAGE) {
      await Promise.all([loadJobs(), loadOnFile()]);
      seen.changes = told.changes;
    }
    refill(byId("notes"), told.trouble, () =>
      told.trouble ? [note("stop", spoken(told.trouble), "What is shown is old.")] : [],
    );
  } catch (problem) {
    refill(byId("notes"), problem.message, () => [note("stop", spoken(problem.message))]);
    for (const bench of seen.benches) bench.stale = true;
  }
  paintBenches();
  document.body.dataset.ready = "yes";
  setTimeout(follow, EVERY_MS);
}

const guarded = (work) =>
  work.catch((problem) => byId("notes").replaceChildren(note("stop", spoken(problem.message))));

let typed = 0;
byId("words").addEventListener("input", () => {
  clearTimeout(typed);
  typed = setTimeout(() => guarded(loadJobs()), TYPED_MS);
});
byId("older").addEventListener("click", () => guarded(loadJobs(seen.lines[seen.lines.length - 1]?.place)));
settings.addEventListener("change", () => {
  paintBenches();
  paintJobs();
});
if (engineAsked) {
  show(byId("of-engine"), true);
  byId("of-engine").replaceChildren(
    el("p", {}, `Only the engine ${engineAsked}, wherever it was measured.`),
    el("a", { class: "plain-button", href: "/" }, "All engines"),
  );
}
follow();
