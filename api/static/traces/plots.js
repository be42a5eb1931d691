/**
 * Drawing figures on the page with the plotting library, in the colours of this screen; saving them as pictures.
 */

import { angleMarks } from "./curve_scale.js";
import { el } from "./dom.js";
import { takeAway } from "./first_picture.js";
import { download, saveText } from "./save.js";

const NAMES = {
  ink: "--ink",
  ink2: "--ink-2",
  line: "--line",
  hair: "--hair",
  accent: "--accent",
  wash: "--accent-wash",
  stop: "--stop",
  sheet: "--sheet",
};

/** The look of a figure on this screen now. */
export function lookOf(settings) {
  const style = getComputedStyle(document.documentElement);
  const colours = Object.fromEntries(
    Object.entries(NAMES).map(([name, variable]) => [name, style.getPropertyValue(variable).trim()]),
  );
  return {
    colours,
    font: style.getPropertyValue("--lettering").trim(),
    lengthKind: settings.chosen.length,
    angle: settings.chosen.angle,
  };
}

const CONFIG = {
  responsive: true,
  displaylogo: false,
  displayModeBar: false,
  scrollZoom: false,
  doubleClick: "reset+autosize",
};

let loading = null;

/** Whether figures can be drawn without waiting. */
export const isThere = () => Boolean(window.Plotly);

/** The library is large and only the desk needs it: fetched when the first figure is drawn. */
export function library() {
  loading ??= new Promise((resolve, reject) => {
    if (window.Plotly) resolve(window.Plotly);
    const script = el("script", { src: "/static/plotly.min.js" });
    script.onload = () => resolve(window.Plotly);
    script.onerror = () => reject(new Error("The drawing library did not load. Reload the page."));
    document.head.append(script);
  });
  return loading;
}

/** Draw or redraw a figure in `box`. */
export async function draw(box, figure) {
  const Plotly = await library();
  const { layout } = figure;
  if (layout.meta?.range && layout.xaxis) layout.xaxis.range = [...layout.meta.range];
  // Marked before it is drawn: to mark it afterwards is to draw it twice.
  if (layout.meta?.range && layout.meta.angles) {
    const { values, texts } = angleMarks(layout.meta.range, box.clientWidth, layout.meta);
    Object.assign(layout.xaxis, { tickvals: values, ticktext: texts });
  }
  await Plotly.react(box, figure.data, layout, CONFIG);
  takeAway(box);
  await markAngles(box);
  if (box.dataset.marked) return;
  box.dataset.marked = "yes";
  box.on("plotly_relayout", () => markAngles(box));
}

/** Ticks at the angles a builder counts in (5, 10, 30, 90), as many as there is room for. */
async function markAngles(box) {
  if (!box.layout?.meta?.angles || !box._fullLayout.xaxis) return;
  const { values, texts } = angleMarks(box._fullLayout.xaxis.range, box.clientWidth, box.layout.meta);
  if (String(box.layout.xaxis.tickvals) === String(values)) return;
  await window.Plotly.relayout(box, { "xaxis.tickvals": values, "xaxis.ticktext": texts });
}

export async function undraw(box) {
  if (!box.data) return;
  (await library()).purge(box);
  delete box.dataset.marked;
}

/** Save a drawn figure as `png` or `svg`, on the paper of this screen. */
export async function savePicture(box, name, format) {
  const Plotly = await library();
  const paper = getComputedStyle(document.documentElement).getPropertyValue("--sheet").trim();
  const layout = { ...box.layout, paper_bgcolor: paper, plot_bgcolor: paper };
  const picture = await Plotly.toImage(
    { data: box.data, layout, config: CONFIG },
    { format, width: 1280, height: 760, scale: format === "png" ? 2 : 1 },
  );
  download(picture, `${name}.${format}`);
}

/** Save rows as a CSV file; numbers keep all their digits. */
export function saveCsv(name, header, rows) {
  const text = [header, ...rows].map((row) => row.join(",")).join("\n");
  saveText(`${name}.csv`, `${text}\n`, "text/csv");
}

/** Zoom by keyboard or thumb: `factor` below 1 goes nearer; 0 shows everything. */
export async function zoom(box, factor) {
  const Plotly = await library();
  if (!factor) {
    const range = box.layout.meta?.range;
    await Plotly.relayout(box, {
      ...(range ? { "xaxis.range": [...range] } : { "xaxis.autorange": true }),
      "yaxis.autorange": box.layout.yaxis?.autorange === "reversed" ? "reversed" : true,
    });
    return;
  }
  const [from, to] = box._fullLayout.xaxis.range;
  const half = ((to - from) / 2) * factor;
  const middle = (from + to) / 2;
  await Plotly.relayout(box, { "xaxis.range": [middle - half, middle + half] });
}

/** Move along the angles by a share of what is shown. */
export async function pan(box, share) {
  const Plotly = await library();
  const [from, to] = box._fullLayout.xaxis.range;
  const step = (to - from) * share;
  await Plotly.relayout(box, { "xaxis.range": [from + step, to + step] });
}
