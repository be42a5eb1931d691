/**
 * The part of the instruments page that sets up a new bench: list the ports, listen while one thing is moved, name what
 * moved, save the bench file.
 */

import { get, post } from "./ask.js";
import { byId, el, note, put, show, state } from "./dom.js";
import { table } from "./trace_tables.js";
import { saveText } from "./save.js";
import { benchEntry, heardWords, withFound } from "./setup_view.js";

const known = { ports: [], found: [] };

function trouble(problem) {
  byId("setup-notes").replaceChildren(...(problem ? [note("stop", problem.message)] : []));
}

function portLine(port) {
  const box = el("input", { type: "checkbox", name: "port", value: port.name });
  box.checked = !port.used_by;
  box.disabled = Boolean(port.used_by);
  const more = [
    port.description,
    port.used_by && `read by this bench as ${port.used_by.replaceAll("_", " ")}`,
  ]
    .filter(Boolean)
    .join(", ");
  return el(
    "li",
    {},
    el("label", { class: "check" }, box, el("span", {}, el("code", {}, port.name), more && ` ${more}`)),
  );
}

function paintPorts() {
  byId("setup-ports").replaceChildren(
    ...(known.ports.length
      ? known.ports.map(portLine)
      : [
          el(
            "li",
            { class: "quiet" },
            "No serial port is there. Plug the instruments in and list them again, or name a port.",
          ),
        ]),
  );
  show(byId("setup-listen"), true);
}

async function list() {
  const { ports } = await get("/api/setup/ports");
  const named = known.ports.filter((one) => one.named);
  known.ports = [...ports, ...named.filter((one) => !ports.some((port) => port.name === one.name))];
  paintPorts();
}

function addNamed() {
  const name = byId("setup-port").value.trim();
  if (!name || known.ports.some((port) => port.name === name)) return;
  known.ports.push({ name, description: "named by hand", used_by: "", named: true });
  byId("setup-port").value = "";
  paintPorts();
}

const HEARD_COLUMNS = [
  ["Port", false],
  ["Heard", false],
  ["Last lines", false],
  ["", false],
];

function heardRow(one, mover) {
  return [
    el("code", {}, one.name),
    heardWords(one),
    el("span", { class: "wrapping" }, ...one.lines.map((line) => el("code", {}, `${line} `))),
    one.name === mover ? state("there", "moved") : state("quiet", one.moved ? "moved a little" : "still"),
  ];
}

async function listen(asked) {
  const ports = [...document.querySelectorAll('#setup-ports input[name="port"]:checked')].map(
    (box) => box.value,
  );
  if (!ports.length) throw new Error("Choose at least one port to listen to.");
  const seconds = Number(byId("setup").dataset.seconds);
  put(byId("setup-told"), `Listening for ${seconds} s: ${asked} now, and nothing else.`);
  const told = await post("/api/setup/listen", { ports, seconds });
  put(byId("setup-told"), told.sentence);
  byId("setup-heard").replaceChildren(
    table(
      HEARD_COLUMNS,
      told.ports.map((one) => heardRow(one, told.mover)),
      "",
    ),
  );
  const mover = told.ports.find((one) => one.name === told.mover);
  if (mover) known.found = withFound(known.found, mover);
  paintFound();
}

function field(one, name, label, choices) {
  const id = `found-${known.found.indexOf(one)}-${name}`;
  const input = choices
    ? el("select", { id }, ...choices.map(([value, words]) => el("option", { value }, words)))
    : el("input", { type: "text", id, autocomplete: "off" });
  input.value = one[name];
  input.addEventListener("input", () => {
    one[name] = typeof one[name] === "number" ? Number(input.value) : input.value;
  });
  return el("div", {}, el("label", { for: id }, label), input);
}

function foundNode(one) {
  const fields =
    one.quantity === "crank"
      ? [
          field(one, "counts_per_turn", "Counts in a turn, as the encoder says"),
          field(one, "crank_teeth", "Teeth on the crank that drive it, 1 where it sits on the crank"),
          field(one, "shaft_teeth", "Teeth on the encoder's shaft, likewise"),
          field(one, "direction", "Turned forward, its count", [
            [1, "rises"],
            [-1, "falls"],
          ]),
        ]
      : [
          field(one, "name", "Name, as written on the gauge"),
          field(one, "unit", "It sends", [
            ["mm", "mm"],
            ["in", "inch"],
          ]),
          field(one, "sign", "Pushed in, its reading", [
            [1, "rises"],
            [-1, "falls"],
          ]),
        ];
  return el(
    "li",
    {},
    el("strong", {}, one.quantity === "crank" ? "Encoder" : "Gauge"),
    " ",
    el("code", {}, one.port),
    el("div", { class: "form-grid" }, ...fields),
  );
}

function paintFound() {
  show(byId("setup-bench"), known.found.length > 0);
  byId("setup-found").replaceChildren(...known.found.map(foundNode));
}

async function save() {
  const answer = await fetch("/api/setup/bench_file", {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(benchEntry(known.found)),
  });
  if (!answer.ok)
    throw new Error(
      (await answer.json().catch(() => ({}))).message ?? `The server answered ${answer.status}.`,
    );
  saveText("bench.toml", await answer.text(), "application/toml");
}

/** Let the buttons of the set-up sheet work. */
export function setUp() {
  const on = (id, action) =>
    byId(id).addEventListener("click", async () => {
      byId(id).disabled = true;
      trouble(null);
      await Promise.resolve().then(action).catch(trouble);
      byId(id).disabled = false;
    });
  on("setup-list", list);
  on("setup-add", addNamed);
  on("setup-crank", () => listen("turn the crank forward"));
  on("setup-gauge", () => listen("push one plunger"));
  on("setup-save", save);
}
