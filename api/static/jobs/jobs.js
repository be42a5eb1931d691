/**
 * Jobs: begin one from an engine and a card, or go on with one.
 */

import { get, post, upload } from "./ask.js";
import { byId, el, note, put, renew, show } from "./dom.js";
import { cardEntry, engineEntry, jobEntry } from "./entries.js";
import { cardTexts, changedIn, engineTexts, fillForm } from "./filled_forms.js";
import { AT_ONCE, jobLine, listAsked, query, waysOn } from "./job_list.js";
import { cardRows } from "./job_reports.js";
import { thingsOnFile } from "./on_file.js";
import { STILL, goTo } from "./root.js";
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
      const kept = await post(
        typeof path === "function" ? path() : path,
        entry(fieldsOf(form), confirmedIn(form)),
      );
      form.querySelector(".questions").replaceChildren();
      await done(kept);
    } catch (problem) {
      askBack(form, problem);
    }
    button.disabled = false;
  });
}

function choose(select, items, told) {
  const chosen = told ?? select.value;
  select.replaceChildren(...items.map(([id, name]) => el("option", { value: id }, name)));
  if (items.some(([id]) => String(id) === String(chosen))) select.value = String(chosen);
}

const none = (what) => [el("li", { class: "quiet" }, `No ${what} is on file yet.`)];
const who = () => byId("builder").value.trim();
const readAgain = () => Promise.all([loadEngines(), loadCards()]);
const engineItem = thingsOnFile("/api/engines", {
  about: ({ engine }) => ({
    name: engine.name,
    told: `${engine.cylinders.length} cylinders, fires ${engine.firing_order.join("-")}`,
  }),
  change: (kept) => changeIt("engine", kept, engineTexts(kept.engine), engineEntry),
  changed: readAgain,
  who,
  spoken,
});
const cardItem = thingsOnFile("/api/cards", {
  about: ({ card }) => ({ name: card.name, told: cardLine(card) }),
  change: (kept) => changeIt("card", kept, cardTexts(kept.card), cardEntry),
  changed: readAgain,
  who,
  spoken,
});

async function loadEngines(chosen) {
  const engines = await get("/api/engines");
  choose(
    byId("engine_id"),
    engines.map((kept) => [kept.id, kept.engine.name]),
    chosen,
  );
  renew(byId("engines"), ...(engines.length ? engines.map(engineItem) : none("engine")));
}

async function loadCards(chosen) {
  const cards = await get("/api/cards");
  choose(
    byId("card_id"),
    cards.map((kept) => [kept.id, kept.card.name]),
    chosen,
  );
  renew(byId("cards"), ...(cards.length ? cards.map(cardItem) : none("card")));
}

/** What a card says, in a line. */
function cardLine(card) {
  return cardRows({ card }, settings.chosen)
    .map(([name, value]) => `${name}: ${value}`)
    .join("; ");
}

const list = listAsked(window.location.search);
byId("words").value = list.words;

async function loadJobs() {
  try {
    const words = byId("words").value.trim();
    const before = list.before(words);
    const jobs = await get(`/api/jobs?${query(words, before)}&limit=${AT_ONCE + 1}`);
    const none = [el("li", { class: "quiet" }, words ? "No job fits." : "No job yet.")];
    renew(byId("list"), ...(jobs.length ? jobs.slice(0, AT_ONCE).map((job) => jobLine(job, spoken)) : none));
    renew(byId("ways"), ...waysOn(jobs, words, before));
    sayNoneOnlyAlone();
    byId("notes").replaceChildren();
  } catch (problem) {
    byId("notes").replaceChildren(note("stop", spoken(problem.message)));
  }
}

/** Where a job waits to be taken over there is one, though it is not on this bench's list yet. */
function sayNoneOnlyAlone() {
  const none = byId("list").querySelector(":scope > .quiet");
  if (none) show(none, Boolean(byId("words").value) || !byId("coming").children.length);
}

/** A job that another bench has handed to this one. */
function comingLine(one) {
  const take = el("button", { type: "button", class: "plain-button" }, "Take it over");
  take.addEventListener("click", async () => {
    take.disabled = true;
    try {
      goTo(`/jobs/${(await post(`/api/shared/jobs/${one.number}?by=${encodeURIComponent(who())}`)).id}`);
    } catch (problem) {
      take.disabled = false;
      byId("notes").replaceChildren(note("stop", spoken(problem.message)));
    }
  });
  return el(
    "li",
    {},
    el(
      "div",
      {},
      el("strong", {}, one.reference),
      el("div", { class: "quiet small" }, `handed over by the bench ${one.bench}${one.by && `, ${one.by}`}`),
    ),
    el("div", { class: "changes" }, take),
  );
}

const LOOK_AGAIN_MS = 10_000;

/** What other benches share: read now, and again while the page is looked at and no form is open. */
async function loadShared() {
  if (STILL) return;
  const shared = await get("/api/shared").catch(() => null);
  renew(byId("coming"), ...(shared?.coming ?? []).map(comingLine));
  show(byId("coming-sheet"), byId("coming").children.length > 0);
  sayNoneOnlyAlone();
  if (!shared?.bench) return;
  setTimeout(async () => {
    if (!document.hidden && !document.querySelector("dialog[open]"))
      await Promise.all([readAgain(), loadJobs()])
        .then(offerShared)
        .catch(() => {});
    loadShared();
  }, LOOK_AGAIN_MS);
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
    leaveInline(kind);
  });
}

function leaveInline(kind) {
  const form = byId(`${kind}-form`);
  inline.set(form, null);
  show(form, false);
  show(byId(`new-${kind}`).parentElement, true);
}

/** What another bench has kept meanwhile need not be entered here, unless that has been begun. */
function offerShared() {
  for (const kind of ["engine", "card"]) {
    const form = byId(`${kind}-form`);
    const begun = [...form.querySelectorAll("input:not([type=checkbox])")].some(
      (field) => field.value !== field.defaultValue,
    );
    if (inline.get(form) && byId(`${kind}_id`).options.length && !begun) leaveInline(kind);
  }
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

/** What the form of an engine or a card changes; nothing where it is to keep a new one. */
const changing = { engine: null, card: null };

function openForm(kind, title, button) {
  const [dialog, form] = [byId(`${kind}-dialog`), byId(`${kind}-form`)];
  if (form.parentElement !== dialog) {
    form.classList.remove("inline");
    for (const one of form.querySelectorAll("[data-close], [type=submit]")) show(one, true);
    show(form, true);
    dialog.append(form);
  }
  form.querySelector(".questions").replaceChildren();
  put(byId(`${kind}-title`), title);
  put(form.querySelector('[type="submit"]'), button);
  dialog.showModal();
}

/** Open the form of an engine or a card with what stands in it. */
function changeIt(kind, kept, texts, entry) {
  const form = byId(`${kind}-form`);
  fillForm(form, texts);
  changing[kind] = { kept, before: entry(fieldsOf(form))[kind] };
  openForm(kind, `Change ${kept[kind].name}`, "Keep the change");
}

/** Where a form is sent: a new thing is kept, or one that is on file is changed. */
const sentTo = (kind) => () => {
  const change = changing[kind];
  return change ? `/api/${kind}s/${change.kept.id}?seen=${change.kept.version}` : `/api/${kind}s`;
};

/** What a form sends: all of a new thing, or what is on file with what was changed. */
const sentAs = (kind, entry) => (form, confirmed) => {
  const sent = { ...entry(form, confirmed), by: who() };
  const change = changing[kind];
  return change ? { ...sent, [kind]: changedIn(change.kept[kind], change.before, sent[kind]) } : sent;
};

function dialogs() {
  for (const kind of ["engine", "card"]) {
    const dialog = byId(`${kind}-dialog`);
    byId(`new-${kind}`).addEventListener("click", () => {
      if (changing[kind]) fillForm(byId(`${kind}-form`), {});
      changing[kind] = null;
      openForm(kind, kind === "engine" ? "New engine" : "New cam card", `Keep this ${kind}`);
    });
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
onSend(byId("engine-form"), sentTo("engine"), sentAs("engine", engineEntry), async (kept) => {
  await loadEngines(kept.id);
  byId("engine-dialog").close();
});
onSend(byId("card-form"), sentTo("card"), sentAs("card", cardEntry), async (kept) => {
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
await Promise.all([loadEngines(), loadCards(), loadJobs(), loadShared()]).catch((problem) =>
  byId("notes").replaceChildren(note("stop", spoken(problem.message))),
);
if (!byId("engine_id").options.length) enterInline("engine", "/api/engines", engineEntry, loadEngines);
if (!byId("card_id").options.length) enterInline("card", "/api/cards", cardEntry, loadCards);
document.body.dataset.ready = "yes";
