// The control page: state comes as server-sent events, commands go as small JSON bodies.
import { Drawing } from "./drawing.js";

const at = (id) => document.getElementById(id);
let drawing = null;
let state = null;
let heard = 0;
let held = null;
let truthTimer = 0;

async function ask(path, body) {
  const options = body === undefined ? {} : { method: "POST", body: JSON.stringify(body) };
  try {
    const answer = await fetch(path, options);
    const content = await answer.json();
    if (!answer.ok) throw new Error(content.error);
    return content;
  } catch (error) {
    complain(error instanceof TypeError ? "The bench does not answer; is it still running?" : error.message);
    return null;
  }
}

let complaint = 0;
function complain(sentence) {
  at("trouble").textContent = sentence;
  at("trouble").hidden = false;
  clearTimeout(complaint);
  complaint = setTimeout(() => {
    at("trouble").hidden = true;
  }, 6000);
}

const signed = (value, places) => (value > 0 ? "+" : "−") + Math.abs(value).toFixed(places);

function make(name, properties = {}, ...children) {
  const element = Object.assign(document.createElement(name), properties);
  element.append(...children);
  return element;
}

function show(next) {
  const first = state === null;
  state = next;
  heard = Date.now();
  if (first) build();
  drawing?.update(state);
  at("deg").textContent = `${state.crank.deg.toFixed(1)}°`;
  at("count").textContent = String(state.crank.count);
  at("speed").textContent = `${Math.abs(state.crank.speed_deg_s).toFixed(0)}°/s`;
  at("doing").textContent = state.hand.paused ? "resting" : words(state.hand.doing);
  at("pause").textContent = state.hand.paused ? "Go on" : "Pause";
  at("pause").disabled = !state.hand.busy;
  at("say").textContent = state.script.say;
  for (const button of at("steps").children) {
    button.classList.toggle("done", state.script.done.includes(button.dataset.step));
    button.disabled = state.script.running;
  }
  updateBuilder();
  updateGauges();
  updateCams();
  updateCables();
}

const STANDS_ASIDE = "He stands aside: the crank is yours. Go on, and he takes it up where the job stands.";

function updateBuilder() {
  const { mode, say } = state.builder;
  at("builder").hidden = mode === "none";
  at("builder-says").textContent = mode === "visitor" ? STANDS_ASIDE : say;
  const dead = { pause: mode !== "working", go_on: mode === "working", let_me: mode === "visitor" };
  for (const button of document.querySelectorAll("[data-builder]"))
    button.disabled = dead[button.dataset.builder];
}

const words = (doing) => doing.replaceAll("_", " ");

function build() {
  document.title = `${state.engine} · simulated bench`;
  at("engine").textContent = state.engine;
  at("shop").textContent = `${state.shop} · simulated bench`;
  at("script").hidden = state.script.steps.length === 0;
  for (const step of state.script.steps) {
    const button = make("button", { type: "button", textContent: words(step) });
    button.dataset.step = step;
    button.addEventListener("click", () => ask("/script", { step }));
    at("steps").append(button);
  }
  at("speed-wanted").value = state.hand.speed_deg_s;
  at("wander-wanted").value = 100 * state.hand.wander;
  showSliders();
  for (const name of Object.keys(state.gauges)) at("gauges").append(gaugeItem(name));
  for (const name of Object.keys(state.cams)) at("cams").append(camItem(name));
  for (const name of Object.keys(state.cables)) at("cables").append(cableItem(name));
}

function gaugeItem(name) {
  const select = make("select", { ariaLabel: `What ${name} touches` });
  for (const target of state.targets)
    select.append(make("option", { value: target, textContent: words(target) }));
  select.addEventListener("change", () => ask("/gauge", { gauge: name, onto: select.value }));
  const bar = make("div", { className: "bar full" }, make("i"));
  const item = make(
    "div",
    { className: "item" },
    make("span", { className: "name", textContent: name }),
    make("output", { className: "value" }),
    select,
    bar,
  );
  item.dataset.name = name;
  select.classList.add("full");
  return item;
}

function updateGauges() {
  for (const item of at("gauges").children) {
    const gauge = state.gauges[item.dataset.name];
    item.querySelector("output").textContent = `${gauge.value} ${gauge.unit}`;
    const select = item.querySelector("select");
    if (document.activeElement !== select) select.value = gauge.onto;
    item.querySelector("i").style.width = `${(100 * gauge.plunger_mm) / gauge.travel_mm}%`;
  }
}

function camItem(name) {
  const bolts = make("button", { type: "button" });
  bolts.addEventListener("click", () =>
    ask("/pulley", { cam: name, do: state.cams[name].bolts_tight ? "slacken" : "tighten" }),
  );
  const moves = make("div", { className: "row full moves" });
  for (const by of [-5, -1, -0.2, 0.2, 1, 5]) {
    const button = make("button", { type: "button", textContent: signed(by, by % 1 ? 1 : 0) });
    button.ariaLabel = `Turn the ${name} cam ${by > 0 ? "earlier" : "later"} by ${Math.abs(by)} crank degrees`;
    button.addEventListener("click", () => ask("/pulley", { cam: name, do: "turn_cam", by_deg: by }));
    moves.append(button);
  }
  const item = make(
    "div",
    { className: "item" },
    make("span", { className: "name", textContent: name }),
    bolts,
    make("span", { className: "quiet full figures" }),
    moves,
  );
  item.dataset.name = name;
  return item;
}

function updateCams() {
  for (const item of at("cams").children) {
    const cam = state.cams[item.dataset.name];
    item.querySelector("button").textContent = cam.bolts_tight ? "Slacken the bolts" : "Tighten the bolts";
    const moved = cam.moved_deg;
    const where =
      Math.abs(moved) < 0.005
        ? "where it was fitted"
        : `${Math.abs(moved).toFixed(2)}° ${moved > 0 ? "earlier" : "later"} than fitted`;
    item.querySelector(".figures").textContent =
      `${cam.bolts_tight ? "bolts tight" : "bolts slack: the cam stays when the crank turns"}; ${where}`;
    for (const button of item.querySelectorAll(".moves button")) button.disabled = cam.bolts_tight;
  }
}

function cableItem(name) {
  const button = make("button", { type: "button" });
  button.addEventListener("click", () =>
    ask("/cable", { channel: name, plugged: !state.cables[name].plugged }),
  );
  const item = make(
    "div",
    { className: "item" },
    make("span", { className: "name", textContent: name }),
    button,
    make("span", { className: "line full" }),
  );
  item.dataset.name = name;
  return item;
}

function updateCables() {
  for (const item of at("cables").children) {
    const cable = state.cables[item.dataset.name];
    item.querySelector("button").textContent = cable.plugged ? "Pull out" : "Plug in";
    const heardBy = cable.plugged
      ? cable.read
        ? `${cable.accepted} lines taken`
        : "nobody listens"
      : "pulled out";
    item.querySelector(".line").textContent = `${cable.plugged ? cable.last_line : "–"} · ${heardBy}`;
  }
}

function showSliders() {
  at("speed-shown").textContent = `${at("speed-wanted").value}°/s`;
  at("wander-shown").textContent = `${at("wander-wanted").value} %`;
}

async function showTruth() {
  const truth = await ask("/truth");
  if (!truth || at("truth").hidden) return;
  const rows = Object.entries(truth.lobes).map(([name, lobe]) => {
    const after = lobe.centre_atdc_deg,
      before = 720 - after;
    const own = name.endsWith("_1");
    const centre = !own
      ? `${after.toFixed(2)}°`
      : after <= 360
        ? `${after.toFixed(2)}° ATDC`
        : `${before.toFixed(2)}° BTDC`;
    return make(
      "tr",
      {},
      ...[
        words(name),
        centre,
        `${lobe.full_lift_atdc_deg.toFixed(2)}°`,
        lobe.peak_lift_mm.toFixed(3),
        `${lobe.duration_deg.toFixed(1)}°`,
      ].map((text) => make("td", { textContent: text })),
    );
  });
  const head = make(
    "tr",
    {},
    ...[
      "lobe",
      `centre, ${truth.drop_mm} mm below`,
      "full lift",
      "lift, mm",
      `duration at ${truth.check_lift_mm} mm`,
    ].map((text) => make("th", { textContent: text, scope: "col" })),
  );
  const cams = Object.entries(truth.cams).map(
    ([name, cam]) =>
      `${name} cam ${Math.abs(cam.late_deg).toFixed(2)}° ${cam.late_deg > 0 ? "late" : "early"}, ` +
      `slack ${cam.slack_deg.toFixed(1)}°`,
  );
  const lags = Object.entries(truth.gauges).map(
    ([name, gauge]) => `${name} lags ${(1000 * gauge.lag_s).toFixed(0)} ms`,
  );
  at("truth").replaceChildren(
    make("p", {
      className: "figures",
      textContent:
        `True TDC is where the counter reads ${truth.tdc_encoder_deg.toFixed(3)}°; ` +
        `${[...cams, ...lags].join("; ")}.`,
    }),
    make(
      "div",
      { className: "scroll" },
      make("table", {}, make("thead", {}, head), make("tbody", {}, ...rows)),
    ),
  );
}

function listen() {
  const events = new EventSource("/events");
  events.onmessage = (event) => {
    at("link").textContent = "live";
    at("link").classList.remove("lost");
    show(JSON.parse(event.data));
  };
}

setInterval(() => {
  if (Date.now() - heard < 1500) return;
  at("link").textContent = "no answer";
  at("link").classList.add("lost");
}, 500);

let dragTo = null;
let dragging = false;

/** One request at a time, always the newest place: two under way could arrive in the wrong order. */
async function drag(to) {
  dragTo = to;
  if (dragging) return;
  dragging = true;
  while (dragTo !== null) {
    const next = dragTo;
    dragTo = null;
    await ask("/hand", { do: "drag", unwrapped_deg: next });
  }
  dragging = false;
}

function holdCrank() {
  const disc = drawing.disc;
  disc.addEventListener("pointerdown", (event) => {
    if (!state) return;
    held = { last: drawing.angleOf(event), to: state.crank.unwrapped_deg };
    disc.setPointerCapture(event.pointerId);
    disc.classList.add("held");
    event.preventDefault();
  });
  disc.addEventListener("pointermove", (event) => {
    if (!held) return;
    const angle = drawing.angleOf(event);
    const step = ((angle - held.last + 540) % 360) - 180;
    held.last = angle;
    held.to += step;
    drag(held.to);
  });
  const letGo = () => {
    if (held) drag(held.to);
    held = null;
    disc.classList.remove("held");
  };
  disc.addEventListener("pointerup", letGo);
  disc.addEventListener("pointercancel", letGo);
  disc.addEventListener("keydown", (event) => {
    const by = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10 }[
      event.key
    ];
    if (by === undefined) return;
    event.preventDefault();
    ask("/hand", { moves: [{ do: "turn_by", by_deg: by }] });
  });
}

for (const button of document.querySelectorAll("[data-moves]"))
  button.addEventListener("click", () => ask("/hand", { moves: JSON.parse(button.dataset.moves) }));
for (const button of document.querySelectorAll("[data-builder]"))
  button.addEventListener("click", () => ask("/builder", { do: button.dataset.builder }));
for (const button of document.querySelectorAll("[data-do]"))
  button.addEventListener("click", () =>
    ask("/hand", {
      do: button.dataset.do === "pause" && state?.hand.paused ? "resume" : button.dataset.do,
    }),
  );
at("speed-wanted").addEventListener("input", showSliders);
at("speed-wanted").addEventListener("change", (event) =>
  ask("/hand", { do: "speed", speed_deg_s: Number(event.target.value) }),
);
at("wander-wanted").addEventListener("input", showSliders);
at("wander-wanted").addEventListener("change", (event) =>
  ask("/hand", { wander: Number(event.target.value) / 100 }),
);
at("reveal").addEventListener("click", () => {
  const opening = at("truth").hidden;
  at("truth").hidden = !opening;
  at("reveal").textContent = opening ? "Hide" : "Reveal";
  at("reveal").ariaExpanded = String(opening);
  clearInterval(truthTimer);
  if (opening) {
    showTruth();
    truthTimer = setInterval(showTruth, 2000);
  }
});

ask("/drawing").then((plan) => {
  if (!plan) return;
  drawing = new Drawing(at("drawing"), plan);
  holdCrank();
  listen();
});
