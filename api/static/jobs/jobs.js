/**
 * Jobs: begin one from an engine and a card, or go on with one.
 */

import { get, post, remove, upload } from "./ask.js";
import { byId, el, note, put, show, state } from "./dom.js";
import { cardEntry, engineEntry, jobEntry } from "./entries.js";
import { cardRows } from "./job_reports.js";
import { goTo } from "./root.js";
import { startScreen } from "./screen.js";

const BUILDER = "lobewright.builder";
const { settings, spoken } = startScreen();

function fieldsOf(form) {
  const hidden = new Set([...form.querySelectorAll("[hidden] [name]")].map((field) => field.name));
  return Object.fromEntries([...new FormData(form)].filter(([name]) => !hidden.has(name)));
}

/** Something that can hardly be is asked about: shown, ticked, sent again. */
function askBack(form, problem) {
  const box = form.querySelector(".questions");
  const questions = (problem.questions ?? []).map((question) => {
    const tick = el("input", { type: "checkbox", name: "confirmed", value: question.code });
    return el(
      "div",
      {},
      note("mind", spoken(question.message)),
      el("label", { class: "check" }, tick, "It is so all the same"),
    );
  });
  box.replaceChildren(...(questions.length ? questions : [note("stop", spoken(problem.message))]));
  (box.querySelector("input") ?? box).focus?.();
  box.scrollIntoView({ block: "nearest" });
}

function confirmedIn(form) {
  return [...form.querySelectorAll('input[name="confirmed"]:checked')].map((tick) => tick.value);
}

function onSend(form, path, entry, done) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const button = form.querySelector('[type="submit"]');
    button.disabled = true;
    try {
      if (form.id === "begin" && !(await keepInline())) {
        button.disabled = false;
        return;
      }
      const kept = await post(path, entry(fieldsOf(form), confirmedIn(form)));
      form.querySelector(".questions").replaceChildren();
      await done(kept);
    } catch (problem) {
      askBack(form, problem);
    }
    button.disabled = false;
  });
}

function choose(select, items, chosen) {
  select.replaceChildren(...items.map(([id, name]) => el("option", { value: id }, name)));
  if (chosen) select.value = String(chosen);
}

/** One thing on file: its name, what stands in it, and a button that puts it away. */
function onFile(path, id, name, told) {
  const away = el(
    "button",
    { type: "button", class: "plain-button", "aria-label": `Put ${name} away` },
    "Put it away",
  );
  away.addEventListener("click", async () => {
    try {
      await remove(`${path}/${id}`);
      byId("file-notes").replaceChildren();
      await Promise.all([loadEngines(), loadCards()]);
    } catch (problem) {
      byId("file-notes").replaceChildren(note("stop", spoken(problem.message)));
    }
  });
  return el(
    "li",
    {},
    el("div", {}, el("strong", {}, name), el("div", { class: "quiet small" }, spoken(told))),
    away,
  );
}

const none = (what) => [el("li", { class: "quiet" }, `No ${what} is on file yet.`)];

async function loadEngines(chosen) {
  const engines = await get("/api/engines");
  choose(
    byId("engine_id"),
    engines.map((kept) => [kept.id, kept.engine.name]),
    chosen,
  );
  byId("engines").replaceChildren(
    ...(engines.length
      ? engines.map(({ id, engine }) =>
          onFile(
            "/api/engines",
            id,
            engine.name,
            `${engine.cylinders.length} cylinders, fires ${engine.firing_order.join("-")}`,
          ),
        )
      : none("engine")),
  );
}

async function loadCards(chosen) {
  const cards = await get("/api/cards");
  choose(
    byId("card_id"),
    cards.map((kept) => [kept.id, kept.card.name]),
    chosen,
  );
  byId("cards").replaceChildren(
    ...(cards.length
      ? cards.map(({ id, card }) => onFile("/api/cards", id, card.name, cardLine(card)))
      : none("card")),
  );
}

/** What a card says, in a line. */
function cardLine(card) {
  return cardRows({ card }, settings.chosen)
    .map(([name, value]) => `${name}: ${value}`)
    .join("; ");
}

function jobLine(job) {
  const standing = job.signed_at
    ? state("live", `signed by ${job.signed_by}`)
    : state("do", job.now_title || "nothing due");
  return el(
    "li",
    {},
    el(
      "a",
      { href: `/jobs/${job.id}`, class: "job-line" },
      el("span", { class: "job-name" }, job.reference, job.customer && ` · ${job.customer}`),
      el("span", { class: "quiet" }, spoken(`${job.engine}, card ${job.card}`)),
      standing,
      job.open && !job.signed_at && state("there", "at the bench now"),
    ),
  );
}

async function loadJobs() {
  try {
    const jobs = await get(`/api/jobs?words=${encodeURIComponent(byId("words").value)}`);
    byId("list").replaceChildren(
      ...(jobs.length
        ? jobs.map(jobLine)
        : [el("li", { class: "quiet" }, byId("words").value ? "No job fits." : "No job yet.")]),
    );
    byId("notes").replaceChildren();
  } catch (problem) {
    byId("notes").replaceChildren(note("stop", spoken(problem.message)));
  }
}

/** A shop without an engine or a card enters them on the page itself, and one press keeps all and begins the job. */
const inline = new Map();

function enterInline(kind, path, entry, load) {
  const form = byId(`${kind}-form`);
  form.classList.add("inline");
  for (const button of form.querySelectorAll("[data-close], [type=submit]")) show(button, false);
  show(byId(`new-${kind}`).parentElement, false);
  byId(`${kind}_id`).required = false;
  byId("begin").before(form);
  inline.set(form, async () => {
    if (!form.reportValidity()) throw new Unfinished();
    const kept = await post(path, entry(fieldsOf(form), confirmedIn(form)));
    await load(kept.id);
    inline.set(form, null);
    show(form, false);
    show(byId(`new-${kind}`).parentElement, true);
  });
}

class Unfinished extends Error {}

/** Keep what was entered beside the job; what was kept already, before something was asked about, is not kept again. */
async function keepInline() {
  for (const [form, keep] of inline) {
    try {
      await keep?.();
    } catch (problem) {
      if (!(problem instanceof Unfinished)) askBack(form, problem);
      return false;
    }
  }
  return true;
}

function dialogs() {
  for (const kind of ["engine", "card"]) {
    const dialog = byId(`${kind}-dialog`);
    byId(`new-${kind}`).addEventListener("click", () => dialog.showModal());
    dialog.querySelector("[data-close]").addEventListener("click", () => dialog.close());
  }
}

/** Only the fields that the card's way of telling needs are asked for. */
function followWay() {
  const way = byId("way");
  const fit = () => {
    for (const field of byId("card-form").querySelectorAll("[data-ways]"))
      show(field, field.dataset.ways.split(" ").includes(way.value));
  };
  way.addEventListener("change", fit);
  fit();
}

/** Of an adjuster only what its kind has is asked for. */
function followKind(adjuster) {
  const kind = byId(`${adjuster}.kind`);
  const fit = () => {
    for (const field of kind.closest(".form-grid").querySelectorAll("[data-kinds]"))
      show(field, field.dataset.kinds.split(" ").includes(kind.value));
  };
  kind.addEventListener("change", fit);
  fit();
}

/** The usual drop, in the card's unit, until somebody types another. */
const USUAL_DROP = { mm: "1.27 mm", in: "0.05 in", thou: "50 thou" };

function followUnit() {
  const form = byId("card-form");
  byId("unit").addEventListener("change", (event) => {
    for (const drop of form.querySelectorAll('[name$=".drop_mm"]'))
      if (Object.values(USUAL_DROP).includes(drop.value)) drop.value = USUAL_DROP[event.target.value];
  });
}

function rememberBuilder() {
  try {
    const field = byId("builder");
    field.value = localStorage.getItem(BUILDER) ?? "";
    field.addEventListener("change", () => localStorage.setItem(BUILDER, field.value));
  } catch {
    // forbidden storage: the builder types the name each time
  }
}

byId("take").addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = new FormData();
  form.append("file", byId("job-file").files[0]);
  try {
    goTo(`/jobs/${(await upload("/api/jobs/from_file", form)).id}`);
  } catch (problem) {
    askBack(byId("take"), problem);
  }
});
onSend(byId("begin"), "/api/jobs", jobEntry, () => {
  goTo("/"); // it is open at the bench already
});
onSend(byId("engine-form"), "/api/engines", engineEntry, async (kept) => {
  await loadEngines(kept.id);
  byId("engine-dialog").close();
});
onSend(byId("card-form"), "/api/cards", cardEntry, async (kept) => {
  await loadCards(kept.id);
  byId("card-dialog").close();
});
let waiting = 0;
byId("words").addEventListener("input", () => {
  clearTimeout(waiting);
  waiting = setTimeout(loadJobs, 200);
});
dialogs();
followWay();
followUnit();
followKind("adjuster");
followKind("exhaust_adjuster");
rememberBuilder();
put(byId("begin").querySelector('[type="submit"]'), "Begin the job");
settings.addEventListener("change", () => loadCards());
await Promise.all([loadEngines(), loadCards(), loadJobs()]).catch((problem) =>
  byId("notes").replaceChildren(note("stop", spoken(problem.message))),
);
if (!byId("engine_id").options.length) enterInline("engine", "/api/engines", engineEntry, loadEngines);
if (!byId("card_id").options.length) enterInline("card", "/api/cards", cardEntry, loadCards);
document.body.dataset.ready = "yes";
