/**
 * One job: what is due, its steps, every lobe against the card, valve to piston, what happened.
 */

import { get, post, remove } from "./ask.js";
import { gaugeChannels } from "./bench_state.js";
import { byId, el, note, put, refill, renew, show, state } from "./dom.js";
import { gapFigure } from "./figures.js";
import { foldSheets } from "./fold.js";
import { formFor, lengthTyped } from "./job_forms.js";
import { handEntry, handLobes, strokeBody } from "./job_hand.js";
import {
  BESIDE_COLUMNS,
  CAM_COLUMNS,
  CHANGE_COLUMNS,
  besideRows,
  camRows,
  cardNode,
  changeRow,
  correctionNode,
  filesOf,
  fitOf,
  shiftRows,
} from "./job_reports.js";
import { factWords, standingOf } from "./job_view.js";
import { lobeRules } from "./lobe_rule.js";
import { draw, lookOf } from "./plots.js";
import { askReason } from "./reason.js";
import { roomRules } from "./room_rule.js";
import { STILL, addressOf, goTo } from "./root.js";
import { startScreen } from "./screen.js";
import { table } from "./trace_tables.js";
import { LENGTHS, digits, length } from "./units.js";
import { plainName } from "./words.js";

const id = Number(window.location.pathname.split("/").filter(Boolean).pop());
const here = `/api/jobs/${id}`;
const { settings, bench, spoken } = startScreen();
let job = null;
/** What is computed from the job; each an empty list while it cannot be. */
const computed = {
  valve_to_piston: [],
  valve_to_valve: [],
  checks: [],
  correction: [],
  lobes: [],
  changes: [],
};

// ---- asking ----

/** Whether nothing is to be done here any more: it is signed, or goes on at another bench. */
const closed = () => Boolean(job.signed_by || job.held);

async function load() {
  const names = Object.keys(computed);
  const [read, ...lists] = await Promise.all([
    get(here),
    ...names.map((name) => get(`${here}/${name}`).catch(() => [])),
  ]);
  job = read;
  names.forEach((name, at) => {
    computed[name] = lists[at];
  });
  paint();
}

async function doing(action) {
  try {
    await action();
    byId("notes").replaceChildren();
    await load();
    return true;
  } catch (problem) {
    byId("notes").replaceChildren(note("stop", spoken(problem.message)));
    byId("notes").scrollIntoView({ block: "nearest" });
    return false;
  }
}

/** Ask for the reason that the sheet prints, then do it. */
function withReason(title, about, button, action) {
  askReason(spoken(title), spoken(about), spoken(button), (reason) => doing(() => action(reason)));
}

function fact(what) {
  return post(`${here}/facts`, { what });
}

function button(label, action, kind = "plain-button") {
  return el("button", { type: "button", class: kind, onclick: action }, spoken(label));
}

// ---- what is due ----

function paintNow() {
  const step = job.steps.find((one) => one.id === job.now);
  put(
    byId("now-title"),
    spoken(
      job.held
        ? job.held
        : step
          ? // What must not be done is not told how to do.
            `${step.title}. ${step.code ? step.why : step.sentence}`
          : job.signed_by
            ? `Signed by ${job.signed_by}.`
            : "Nothing is due.",
    ),
  );
  put(byId("now-why"), spoken(job.held || step?.code ? "" : (step?.why ?? "")));
  const told = job.held ? [] : (step?.cautions ?? []);
  refill(byId("now-cautions"), JSON.stringify(told) + settings.chosen.words, () =>
    told.map((caution) => note("mind", spoken(caution))),
  );
  renew(byId("actions"), ...actionsOf(step));
  paintForm(step);
  paintGauges(step);
  paintHand(step);
}

function actionsOf(step) {
  if (!step || job.held) return [];
  const actions = [];
  if (step.at_bench)
    actions.push(button(job.open ? "Go to the bench" : "Do it at the bench", toBench, "big-button"));
  if (step.kind === "bench_check")
    actions.push(
      button("No encoder: disc and gauge by hand", () =>
        doing(() => fact({ kind: "bench_checked", by_hand: true })),
      ),
    );
  if (step.kind === "stroke")
    actions.push(
      button("The crank stands at overlap TDC now", () =>
        doing(() => post(`${here}/stroke`, strokeBody(job))),
      ),
    );
  if (step.may_override) {
    actions.push(
      button("Go past it on your own decision", () =>
        withReason("Your own decision", step.why, "Go past it", (reason) =>
          fact({ kind: "own_decision", step: step.id, code: step.code, reason }),
        ),
      ),
    );
  }
  if (step.may_skip) {
    actions.push(
      button("Leave this step out", () =>
        withReason(`Leave out: ${step.title}`, `It gives: ${step.gives}`, "Leave it out", (reason) =>
          fact({ kind: "skipped", step: step.id, reason }),
        ),
      ),
    );
  }
  return actions;
}

async function toBench() {
  if (job.open || (await doing(() => post(`${here}/open`)))) goTo("/");
}

function paintForm(step) {
  const held = step?.kind === "correction" && Boolean(step.code);
  const form = held ? null : formFor(job, step, settings.chosen);
  const box = byId("now-form");
  show(box, Boolean(form) && !closed());
  if (!form) return;
  refill(box, `${step.id} ${job.facts.length} ${settings.chosen.length} ${settings.chosen.words}`, () => [
    el("h3", {}, spoken(form.title)),
    el("div", { class: "form-grid" }, ...form.fields.map(fieldOf)),
    el(
      "div",
      {},
      el(
        "button",
        { type: "submit", class: step.at_bench ? "plain-button" : "big-button" },
        spoken(form.button),
      ),
    ),
  ]);
  box.onsubmit = (event) => {
    event.preventDefault();
    const values = Object.fromEntries(new FormData(box));
    doing(async () => {
      for (const [path, body] of form.send(values)) await post(`${here}/${path}`, body);
    });
  };
}

/** Where the bench has more than one gauge, which of them goes on pistons and which on valves. */
function paintGauges(step) {
  const names = gaugeChannels(bench.now).map((channel) => channel.name);
  show(byId("gauge-box"), names.length > 1 && Boolean(step?.by_hand) && !closed());
  for (const on of ["piston", "valve"]) {
    const options = [
      ["", "the one used last, else the first"],
      ...names.map((name) => [name, plainName(name)]),
    ];
    refill(byId(`gauge-${on}`), String(names) + settings.chosen.words, () =>
      options.map(([value, words]) => el("option", { value }, spoken(words))),
    );
  }
}

for (const on of ["piston", "valve"]) {
  byId(`gauge-${on}`).addEventListener(
    "change",
    (event) => event.target.value && doing(() => post(`${here}/gauge`, { on, gauge: event.target.value })),
  );
}

/** Disc and gauge by hand, at the steps that measure. */
function paintHand(step) {
  show(byId("hand-box"), Boolean(step?.by_hand) && !closed());
  if (!step?.by_hand) return;
  const lobes = handLobes(step);
  const { unit } = LENGTHS[settings.chosen.length];
  refill(byId("hand-valve"), `${step.id} ${settings.chosen.words}`, () =>
    lobes.map((lobe) => el("option", { value: lobe.value }, spoken(lobe.value))),
  );
  show(byId("hand-valve-box"), lobes.length > 1);
  show(byId("hand-peak").parentElement, lobes.length > 0);
  show(byId("hand-drop-word"), lobes.length > 0);
  const side = lobes[0]?.valve === "exhaust" ? "BTDC" : "ATDC";
  put(
    byId("hand-pairs-label"),
    lobes.length ? `Pairs: degrees ${side}, degrees ${side}, drop in ${unit}` : "Pairs: degrees on the disc",
  );
}

byId("hand-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const values = Object.fromEntries(new FormData(event.target));
  const step = job.steps.find((one) => one.id === job.now);
  doing(() => post(`${here}/by_hand`, handEntry(values, step, settings.chosen))).then(
    (done) => done && event.target.reset(),
  );
});

function fieldOf(field) {
  const name = `now-${field.name}`;
  const input = field.options
    ? el(
        "select",
        { id: name, name: field.name },
        ...field.options.map(([value, words]) => el("option", { value }, spoken(words))),
      )
    : el("input", {
        type: "text",
        id: name,
        name: field.name,
        value: field.value ?? "",
        required: field.required,
        autocomplete: "off",
      });
  return el("div", {}, el("label", { for: name }, spoken(field.label)), input);
}

// ---- the rest ----

function paintHead() {
  const { engine, card, customer, builder, reference } = job.job;
  put(byId("title"), reference);
  document.title = `${reference} · Lobewright`;
  put(
    byId("about"),
    spoken(
      [customer, engine.name, `card ${card.name}`, builder && `built by ${builder}`, job.came]
        .filter(Boolean)
        .join(", "),
    ),
  );
  byId("heads").replaceChildren(
    ...(job.open ? atTheBench() : []),
    el("a", { class: "plain-button", href: `${here}/sheet.html` }, "Sheet"),
    ...(closed() ? [] : [button("Delete this job", throwAway, "plain-button stop-button")]),
  );
}

/** The job that every bench page shows: one that is done need not wait for anything. */
function atTheBench() {
  const leave = (words) => button(words, () => doing(() => post(`${here}/close`)));
  return job.signed_by
    ? [leave("Clear the bench")]
    : [state("there", "at the bench now"), leave("Let it wait")];
}

const LOOK_AGAIN_MS = 2000;
let lookingAgain = 0;

/** The other benches of the archive, where there are any; and what waits at one can be taken back. */
async function paintHandOver() {
  const shared = job.signed_by || STILL ? null : await get("/api/shared").catch(() => null);
  const others = job.held ? [] : (shared?.others ?? []);
  const offered = shared?.offered.find((one) => one.job_id === job.id);
  show(byId("hand-over-sheet"), others.length > 0);
  if (job.held) put(byId("now-why"), offered ? "" : "Go on with it there.");
  refill(byId("offered"), offered ? offered.bench : "", () => (offered ? takingBack(offered.bench) : []));
  refill(byId("hand-over-to"), String(others), () =>
    others.map((name) => el("option", { value: name }, name)),
  );
  clearTimeout(lookingAgain);
  if (shared && job.held) lookingAgain = setTimeout(paintHandOver, LOOK_AGAIN_MS); // until it is taken over there
}

const takingBack = (bench) => [
  el("p", {}, `The bench ${bench} has not taken it over yet.`),
  button("Take it back", () => doing(() => post(`${here}/take_back`)), "plain-button"),
];

byId("hand-over-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const by = job.job.builder;
  doing(() => post(`${here}/hand_over`, { bench: byId("hand-over-to").value, by }));
});

function throwAway() {
  withReason(
    "Delete this job",
    "What was measured stays stored; the job is taken off the list.",
    "Delete it",
    async () => {
      await remove(here);
      goTo("/jobs");
    },
  );
}

function stepLine(step) {
  const [kind, word] = standingOf(step);
  const back =
    ["done", "skipped"].includes(step.state) &&
    !closed() &&
    button("Go back to it", () =>
      withReason(
        `Back to: ${step.title}`,
        "What was done there, and in every step that rests on it, counts no more.",
        "Go back",
        (reason) => fact({ kind: "went_back", step: step.id, reason }),
      ),
    );
  return el(
    "li",
    { class: `step ${step.state}`, "aria-current": step.state === "now" ? "step" : null },
    el(
      "details",
      {},
      el("summary", {}, state(kind, word), el("span", { class: "step-title" }, spoken(step.title))),
      el(
        "div",
        { class: "step-more" },
        el("p", {}, spoken(step.sentence)),
        step.why && el("p", { class: "quiet" }, spoken(step.why)),
        back || null,
      ),
    ),
  );
}

function paintCorrection() {
  const out = new Set(job.cams.filter((cam) => cam.verdict?.call !== "in").map((cam) => cam.cam));
  const correction = computed.correction.filter((one) => out.has(one.cam));
  show(byId("correction-sheet"), correction.length > 0 && !job.signed_by);
  byId("corrections").replaceChildren(
    ...correction.map((one) => correctionNode(one, settings.chosen, spoken)),
  );
}

function heads(columns) {
  return columns.map(([name, num]) => [spoken(name), num]);
}

function lobeRow({ cells, call, why }) {
  return [...cells.map(spoken), why ? el("span", { class: "wrapping" }, spoken(why)) : state(...call)];
}

/** Drawn for the width there is: lettering that is scaled down with a drawing cannot be read. */
function paintRules() {
  const { clientWidth } = byId("rules");
  byId("rules").replaceChildren(
    ...lobeRules(job.cams, Math.max(280, clientWidth * (clientWidth < 600 ? 1 : 0.72))),
  );
}

function paintLobes() {
  paintRules();
  const rows = camRows(job.cams, settings.chosen);
  show(byId("cams"), rows.length > 0);
  byId("cams").replaceChildren(table(heads(CAM_COLUMNS), rows.map(lobeRow), ""));
  const beside = besideRows(computed.lobes, settings.chosen);
  for (const id_ of ["beside", "beside-title"]) show(byId(id_), beside.length > 0);
  byId("beside").replaceChildren(
    table(
      heads(BESIDE_COLUMNS),
      beside.map((row) => row.map(spoken)),
      "",
    ),
  );
  const again = computed.changes.map(changeRow);
  for (const id_ of ["again", "again-title"]) show(byId(id_), again.length > 0);
  byId("again").replaceChildren(table(heads(CHANGE_COLUMNS), again.map(lobeRow), ""));
  const traces = job.facts
    .filter((one) => one.what.kind === "lobe_measured")
    .map((one) => Number(one.what.measurement_id))
    .filter(Boolean);
  show(byId("overlay"), traces.length > 1);
  byId("overlay").href = addressOf(`/traces/${traces[0]}?with=${traces.slice(1).join(",")}`);
}

/** How far each cam may go, where it is known; at the steps that move a cam it stands beside what is due, too. */
function paintRoom() {
  const due = job.steps.find((one) => one.id === job.now);
  const moves = ["room", "correction"].includes(due?.kind) && !job.signed_by;
  const of = (step) => (one) => step.lobes.some((lobe) => lobe.touches === one.lobe.touches);
  const known = [...computed.valve_to_piston, ...computed.valve_to_valve.flatMap((one) => one.rooms)];
  const shown = [
    ["now-room", moves ? known.filter(of(due)) : []],
    ["room-rules", known],
  ];
  for (const [id_, clearances] of shown) {
    show(
      byId(id_),
      clearances.some((one) => one.room),
    );
    const { clientWidth } = byId(id_);
    byId(id_).replaceChildren(
      ...roomRules(clearances, job, Math.max(280, clientWidth * (clientWidth < 600 ? 1 : 0.72))),
    );
  }
  show(
    byId("room-title"),
    known.some((one) => one.room),
  );
}

const GAP_COLUMNS = [
  ["Valve", false],
  ["Least", true],
  ["At", true],
  ["Must be", true],
  ["", false],
];

async function paintPiston() {
  const clearances = computed.valve_to_piston;
  show(byId("piston-sheet"), clearances.length > 0);
  if (!clearances.length) return;
  const mm = (value) => length(value, settings.chosen.length);
  const name = (one) => spoken(`${one.lobe.valve} ${one.lobe.cylinder}`);
  const rows = clearances.map((one) => [
    `${name(one)}${one.still_holds ? "" : " (cam touched since)"}`,
    `${mm(one.least_mm)} ± ${mm(one.u95_mm)}`,
    `${digits(one.at_deg, 0)}°`,
    spoken(`${mm(one.minimum_mm)}, ${one.minimum_from}`),
    one.enough ? state("live", "enough") : state("stop", "too near"),
  ]);
  for (const one of computed.valve_to_valve)
    rows.push([
      spoken(`inlet to exhaust ${one.cylinder}${one.still_holds ? "" : " (cam touched since)"}`),
      `${mm(one.least_mm)} ± ${mm(one.u95_mm)}`,
      `${digits(one.at_deg, 0)}°`,
      spoken(`${mm(one.minimum_mm)}, ${one.minimum_from}`),
      one.enough ? state("live", "enough") : state("stop", "too near"),
    ]);
  byId("clearances").replaceChildren(table(GAP_COLUMNS, rows, ""));
  const shifts = shiftRows(clearances, settings.chosen);
  for (const id_ of ["shifts", "shifts-title"]) show(byId(id_), shifts.length > 0);
  byId("shifts").replaceChildren(
    table([["Cam moved", false], ...clearances.map((one) => [name(one), true])], shifts, ""),
  );
  const drawn = clearances.filter((one) => one.curve);
  show(byId("gap-plot"), drawn.length > 0);
  if (drawn.length) await draw(byId("gap-plot"), gapFigure(drawn, lookOf(settings)));
}

function paintFiles() {
  const key = settings.chosen.words;
  refill(byId("files"), key, () =>
    filesOf(here).map(([href, words, more]) =>
      el(
        "li",
        {},
        el("a", { href }, spoken(words)),
        more && el("span", { class: "quiet small" }, spoken(more)),
      ),
    ),
  );
}

function paintCard() {
  byId("card").replaceChildren(cardNode(job.job, settings.chosen, spoken));
  const measured = computed.lobes.length > 0;
  for (const box of ["match-box", "keep-box"]) show(byId(box), measured);
  put(
    byId("keep-lift-label"),
    spoken(`Check lift for its duration, ${LENGTHS[settings.chosen.length].unit}`),
  );
  if (byId("match-box").open) paintMatches();
}

async function paintMatches() {
  const matches = await get(`${here}/card_match`).catch((problem) => problem);
  if (!Array.isArray(matches)) {
    byId("matches").replaceChildren(note("stop", spoken(matches.message)));
    return;
  }
  byId("matches").replaceChildren(
    el(
      "p",
      { class: "quiet small" },
      spoken("By lift, duration and separation; where the cam stands is left out."),
    ),
    el(
      "ul",
      { class: "file-list" },
      ...matches.map((match) => el("li", {}, state(...fitOf(match)), el("span", {}, spoken(match.sentence)))),
    ),
  );
}

byId("match-box").addEventListener("toggle", () => byId("match-box").open && paintMatches());
byId("keep-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const values = Object.fromEntries(new FormData(event.target));
  const lift = lengthTyped(values.check_lift, settings.chosen.length);
  doing(async () => {
    const kept = await post(`${here}/card`, {
      name: values.name,
      ...(Number.isFinite(lift) ? { check_lift_mm: lift } : {}),
    });
    put(byId("kept-card"), spoken(`Kept as card ${kept.card.name}.`));
  });
});

function factLine(one) {
  const { words, trace, byHand } = factWords(one, settings.chosen, job.steps);
  const when = new Date(one.at).toLocaleString(document.documentElement.lang, {
    dateStyle: "short",
    timeStyle: "short",
  });
  return el(
    "li",
    {},
    el("span", { class: "fact-number" }, `${one.number}`),
    el(
      "span",
      {},
      spoken(words),
      byHand && " (entered by hand)",
      job.by_itself.includes(one.number) && " (began by itself)",
      " ",
      trace && el("a", { href: `/traces/${trace}` }, "its trace"),
    ),
    el("span", { class: "quiet small" }, `${when}, ${one.by}`),
  );
}

function paint() {
  paintHead();
  paintNow();
  byId("steps").replaceChildren(...job.steps.map(stepLine));
  paintCorrection();
  paintLobes();
  paintPiston();
  paintRoom();
  paintFiles();
  paintCard();
  paintHandOver();
  const found = [...job.findings, ...computed.checks].filter(
    (one, at, all) => all.findIndex((other) => other.message === one.message) === at,
  );
  show(byId("findings-sheet"), found.length > 0);
  byId("findings").replaceChildren(...found.map((one) => note("mind", spoken(one.message))));
  byId("facts").replaceChildren(...[...job.facts].reverse().map(factLine));
  document.body.dataset.ready = "yes";
}

// The bench moves the job on: read it again when the guide of this job says something else.
let told = "";
bench.addEventListener("change", (event) => {
  const { guide } = bench.now;
  // Only now are the instruments known whose plain names the sentences need.
  if (event.detail.kind === "hello" && job) paintNow();
  if (!["guide", "hello", "measurement"].includes(event.detail.kind) || guide?.job_id !== id) return;
  const state = event.detail.kind === "measurement" ? event.detail.measurement.state : "";
  const now = `${guide.step} ${guide.action} ${state}`;
  if (now === told) return;
  told = now;
  load().catch(() => {});
});
settings.addEventListener("change", () => job && paint());
window.addEventListener("resize", () => {
  if (!job) return;
  paintRules();
  paintRoom();
});
// The drawing's colours are the library's own copies: drawn again in the other light.
window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => job && paintPiston());
foldSheets(byId("main"), ".job-now, .job-correction");
doing(async () => {});
