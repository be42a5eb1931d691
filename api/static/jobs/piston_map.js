/**
 * Valve to piston of a job, every cylinder, by the phase of both cams.
 */

import { get } from "./ask.js";
import { byId, el, note, put, show, state } from "./dom.js";
import { unitOf } from "./figures.js";
import { VALVE_COLUMNS, mapFigure, missing, valveRows } from "./piston_map_view.js";
import { draw, lookOf } from "./plots.js";
import { startScreen } from "./screen.js";
import { table } from "./trace_tables.js";

const { settings, spoken, guarded } = startScreen();
const shown = { map: null, at: 0 };

const drawn = () => shown.map.cylinders.filter((one) => one.edges.length > 0);

function paintTable() {
  const columns = VALVE_COLUMNS.map(([name, num]) => [spoken(name), num]);
  const rows = valveRows(shown.map, settings.chosen.length, state).map((row) =>
    row.map((cell) => (typeof cell === "string" ? spoken(cell) : cell)),
  );
  byId("valves").replaceChildren(table(columns, rows, ""));
  byId("notes").replaceChildren(...missing(shown.map).map((told) => note("mind", spoken(told))));
  show(byId("one-cam"), shown.map.one_cam);
}

async function paintMap() {
  const cylinder = drawn()[shown.at];
  if (!cylinder) return;
  put(byId("lines-unit"), unitOf(lookOf(settings)));
  const figure = mapFigure(shown.map, cylinder, lookOf(settings));
  for (const axis of [figure.layout.xaxis, figure.layout.yaxis]) axis.title.text = spoken(axis.title.text);
  await draw(byId("plot"), figure);
}

function buildChoice() {
  show(byId("map"), drawn().length > 0);
  show(byId("which-box"), drawn().length > 1);
  byId("which").replaceChildren(
    ...drawn().map(({ cylinder }, at) => {
      const input = el("input", { type: "radio", name: "which", value: at });
      input.checked = at === shown.at;
      input.addEventListener("change", () => {
        shown.at = at;
        guarded(paintMap);
      });
      return el("label", {}, input, el("span", {}, cylinder));
    }),
  );
}

async function paintAll() {
  paintTable();
  await paintMap();
}

guarded(async () => {
  shown.map = await get(byId("notes").dataset.source);
  buildChoice();
  await paintAll();
  settings.addEventListener("change", () => guarded(paintAll));
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => guarded(paintAll));
}).then(() => {
  document.body.dataset.ready = "yes";
});
