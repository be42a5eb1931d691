import {
  againstFigure,
  againstTold,
  besideTable,
  bothTable,
  degrees,
  lengths,
  liftRows,
  profileFigure,
} from "/static/report_tables.js";
import { equal } from "./check.js";

const figure = (value, u95) => ({ value, u95 });
const AT = {
  lift_mm: 1,
  opens_deg: figure(718, 0.5),
  closes_deg: figure(211, 0.6),
  duration_deg: figure(213, 0.9),
  area_mm_deg: figure(1290, 8),
  opening_mm_deg: figure(0.067, 0.002),
  closing_mm_deg: figure(0.065, 0.002),
  flank_asymmetry_deg: figure(3, 1),
};
const REPORT = {
  peak_lift_mm: figure(9.4, 0.03),
  at_lifts: [AT],
  at_inch_lifts: [{ ...AT, lift_mm: 1.27 }],
  area_mm_deg: figure(1320, 10),
  steepest_opening_mm_deg: figure(0.13, 0.002),
  steepest_closing_mm_deg: null,
  opening_ramp: { height_mm: figure(0.3, 0.04), length_deg: figure(24, 3) },
  closing_ramp: null,
  base_circle_mm: figure(0.001, 0.005),
  nose_asymmetry_deg: figure(-0.4, 0.1),
};
const LOBE = {
  title: "inlet lobe 1",
  report: REPORT,
  card: { lift_mm: 9.4, duration_deg: null, check_lift_mm: null, lift_at_tdc_mm: null },
};
const LOOK = {
  colours: { ink: "#000", accent: "#00f", wash: "#eef" },
  font: "x",
  lengthKind: "mm",
  angle: "atdc",
};
const cell = (table, name, at = 1) => table.rows.find((row) => row[0] === name)[at];

export const tests = {
  "an interval says how many decimals a number deserves": () => {
    equal(degrees(figure(213.456, 0.9)), "213.46° ± 0.90°");
    equal(degrees(figure(213.456, 4.4)), "213.5° ± 4.4°");
    equal(degrees(null), "–");
  },
  "lengths follow the screen's unit": () => {
    equal(lengths(figure(9.4, 0.03), "mm"), "9.400 ± 0.030 mm");
    equal(lengths(figure(25.4, 0.0254), "inch"), "1.00000 ± 0.00100 in");
  },
  "check lifts are those of the screen's unit": () => {
    equal(liftRows(REPORT, { length: "mm", angle: "atdc" })[0][0].startsWith("1.00"), true);
    equal(liftRows(REPORT, { length: "inch", angle: "atdc" })[0][0].startsWith("0.0500"), true);
  },
  "an opening just before TDC is said so": () =>
    equal(liftRows(REPORT, { length: "mm", angle: "atdc" })[0][1], "2.00° BTDC ± 0.50°"),
  "a base circle that runs out by less than its interval is not said to": () =>
    equal(cell(besideTable([LOBE], "mm"), "Base circle runs out").startsWith("none seen"), true),
  "a lobe without a report has dashes, and one without a ramp too": () => {
    const table = besideTable([LOBE, { title: "exhaust lobe 1", report: null, card: null }], "mm");
    equal(cell(table, "Peak lift", 2), "–");
    equal(cell(table, "Ramp, closing: height"), "–");
    equal(cell(table, "Card").includes("9.40"), true);
  },
  "both valves show their overlap low down alone": () => {
    const overlap = {
      area_mm_deg: figure(20, 1),
      at_lift_deg: { 1.0: figure(-3, 1), 5.0: figure(-78, 1) },
      separation_cam_deg: figure(110, 0.1),
    };
    const { columns, rows } = bothTable([{ cylinder: "1", overlap, card_separation_cam_deg: 110 }], "mm");
    equal(columns.length, 5);
    equal(rows[0][4], "110.0°");
  },
  "every line is drawn with its band": () => {
    const list = [0, 1];
    const profile = Object.fromEntries(
      [
        "from_full_lift_deg",
        "lift_mm",
        "lift_u_mm",
        "rate_mm_deg",
        "rate_u_mm_deg",
        "acceleration_mm_deg2",
        "acceleration_u_mm_deg2",
      ].map((name) => [name, list]),
    );
    equal(profileFigure(profile, LOOK).data.filter((one) => one.fill === "tonexty").length, 3);
    const found = { from_full_lift_deg: list, difference_mm: list, u_mm: list };
    equal(againstFigure(found, LOOK).data[1].y, [0, 3]);
  },
  "what differs is told in sentences, the phase last": () =>
    equal(againstTold({ sentences: ["Worn."], phase_deg: figure(0.2, 0.1) }).length, 2),
};
