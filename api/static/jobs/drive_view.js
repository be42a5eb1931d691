/**
 * Slack of the cams' drives as rows. All pure; a figure is `{value, u95}`.
 */

import { decimalsFor, digits } from "./units.js";

const NONE = "–";

export const SLACK_COLUMNS = [
  ["Cam", false],
  ["Slack", true],
  ["Along it", true],
  ["Since last time", true],
  ["Along it, since", true],
  ["Of its length", true],
  ["", false],
];

const CALLS = {
  grown: ["mind", "grown"],
  less: ["mind", "less"],
  "as it was": ["live", "as it was"],
};

function told(figure, unit, signed = false, least = 2) {
  if (!figure) return NONE;
  const decimals = Math.max(decimalsFor(figure.u95), least);
  const degree = unit === "°" ? unit : "";
  return `${digits(figure.value, decimals, signed)}${degree} ± ${digits(figure.u95, decimals)}${unit}`;
}

/** A row a cam; `state` makes the cell that says whether it has grown. */
export function slackRows(cams, state) {
  return cams.map((one) => [
    one.cam,
    told(one.slack_deg, "°"),
    told(one.slack_mm, "\u00a0mm"),
    told(one.change_deg, "°", true),
    told(one.change_mm, "\u00a0mm", true),
    told(one.longer_percent, "\u00a0%", true, 3),
    state(...(CALLS[one.grown] ?? ["quiet", "first time"])),
  ]);
}

/** What to say of cams that were not turned back far enough; empty where there are none. */
export const notSeen = (cams) =>
  cams.length
    ? `No slack is told of ${cams.join(", ")}: at the end of a lobe's measurement turn back until the gauge has moved.`
    : "";

/** The query for a drive as typed; empty fields are left out. */
export function queryOf({ teeth, pitch, links }) {
  const typed = { crank_teeth: teeth, pitch_mm: pitch, links };
  const words = Object.entries(typed)
    .map(([name, text]) => [name, text.trim().replace(",", ".")])
    .filter(([, text]) => text)
    .map(([name, text]) => `${name}=${encodeURIComponent(text)}`);
  return words.length ? `?${words.join("&")}` : "";
}
