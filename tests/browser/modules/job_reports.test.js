import {
  besideRows,
  camRows,
  cardRows,
  changeRow,
  correctionNode,
  correctionRows,
  filesOf,
  fitOf,
  fullLift,
  shiftRows,
  shiftWords,
} from "/static/job_reports.js";
import { equal, ok } from "./check.js";

const choices = { length: "mm", angle: "atdc" };
const plain = (rows) => rows.map((row) => row.map((cell) => String(cell).replace(/\s/g, " ")));
const correction = {
  cam: "inlet",
  error_deg: 3.37,
  change_deg: -3.37,
  cam_deg: 1.685,
  make: "earlier",
  arc_mm: 1.235,
  chord_mm: 1.2349,
  hold_the_crank: "Crank held.",
  hold_the_cam: "Cam held.",
  sentence: "",
  setting: "",
  setting_leaves_deg: null,
  single_cam: null,
  park: "",
  lift_at_tdc_then_mm: null,
};
const half = {
  full_lift_deg: 108,
  drop_mm: 1.27,
  opens_deg: null,
  closes_deg: null,
  lift_mm: 9.4,
  checking_clearance_mm: 0.25,
};
const clearance = (valve, _at, shifts) => ({
  lobe: { valve, cylinder: "1" },
  table: shifts.map(([shift_deg, least_mm, enough]) => ({ shift_deg, least_mm, enough })),
});

export const tests = {
  "a correction is told in crank degrees, cam degrees and along the bolt circle": () => {
    const rows = plain(correctionRows(correction, choices));
    equal(rows[0], ["Make the cam", "earlier by 3.37° crank, 1.69° cam"]);
    equal(rows[1], ["At the bolt circle", "1.24 mm along the arc, 1.23 mm straight"]);
  },
  "an adjuster in steps says what it leaves": () =>
    ok(
      correctionRows({ ...correction, setting: "Two holes later.", setting_leaves_deg: 0.4 }, choices).some(
        ([name, value]) => name === "That leaves it" && value === "0.40° late",
      ),
    ),
  "both ways of moving are told": () =>
    equal(correctionNode(correction, choices, (text) => text).querySelectorAll("li").length, 2),
  "a cam that stands is not to be moved": () =>
    equal(correctionRows({ ...correction, make: "nothing", arc_mm: null }, choices), [
      ["Make the cam", "nothing: it stands"],
    ]),
  "full lift is told as this screen says angles": () => {
    equal(fullLift({ valve: "exhaust", full_lift_deg: 112 }, choices), "112.00° BTDC");
    equal(fullLift({ valve: "exhaust", full_lift_deg: 112 }, { ...choices, angle: "plain" }), "608.00°");
  },
  "a lobe that cannot be compared says why": () =>
    equal(
      camRows(
        [
          {
            measured: [
              {
                valve: "inlet",
                cylinder: "1",
                stage: "as_found",
                full_lift_deg: 110,
                verdict: null,
                not_comparable: "The card states no drop.",
              },
            ],
          },
        ],
        choices,
      )[0].why,
      "The card states no drop.",
    ),
  "lobes stand beside one another with what is odd": () =>
    equal(
      plain(
        besideRows(
          [
            {
              valve: "inlet",
              cylinder: "2",
              phase_deg: -0.5,
              peak_lift_mm: 9.1,
              duration_deg: 209.1,
              check_lift_mm: 1.27,
              slack_deg: null,
              odd: ["lift"],
            },
          ],
          choices,
        ),
      )[0],
      ["inlet 2", "0.50° early", "9.10 mm", "209.1° at 1.27 mm", "not seen", "lift"],
    ),
  "a lobe measured again says what was done meanwhile, and whether it means anything": () => {
    const change = {
      valve: "inlet",
      cylinder: "1",
      between: "torqued",
      by_deg: 0.8,
      u95_deg: 0.12,
      call: "means something",
    };
    equal(plain([changeRow(change).cells])[0], ["inlet 1", "torqued", "0.80° ± 0.12° later"]);
    equal(changeRow(change).call, ["stop", "means something"]);
    equal(changeRow({ ...change, between: "", by_deg: -0.05, call: "within what can be told" }).call, [
      "there",
      "within what can be told",
    ]);
  },
  "a cam moved on purpose is told in whole degrees": () =>
    equal([-20, 0, 2.5].map(shiftWords), ["20° early", "as it stands", "2.5° late"]),
  "the gap with the cam moved is a row a shift": () =>
    equal(
      plain(
        shiftRows(
          [
            clearance("inlet", 1, [
              [-5, 1.8, false],
              [0, 2.2, true],
            ]),
            clearance("exhaust", 1, [[0, 2.9, true]]),
          ],
          choices,
        ),
      ),
      [
        ["5° early", "1.80 mm, too near", "–"],
        ["as it stands", "2.20 mm", "2.90 mm"],
      ],
    ),
  "a card is told by what its numbers mean": () => {
    const rows = plain(
      cardRows(
        {
          engine: { firing_order: ["1", "3", "4", "2"], stroke_mm: null },
          card: { way: "full_lift", name: "Whinfell 262", inlet: half, exhaust: null, tolerance_deg: 0.5 },
        },
        choices,
      ),
    );
    equal(rows, [
      ["Firing order", "1-3-4-2"],
      ["Card, by full lift", "Whinfell 262"],
      ["Inlet", "108.0° ATDC, lift 9.40 mm, clearance 0.25 mm"],
      ["Tolerance", "± 0.5°"],
    ]);
  },
  "a card alone is told by its numbers": () =>
    equal(
      plain(
        cardRows(
          {
            card: {
              way: "events",
              name: "Garth 248",
              inlet: null,
              exhaust: { ...half, full_lift_deg: null, opens_deg: 50, closes_deg: 10 },
              tolerance_deg: null,
            },
          },
          choices,
        ),
      ),
      [
        ["By", "opening and closing"],
        ["Exhaust", "opens 50.0°, closes 10.0°, lift 9.40 mm, clearance 0.25 mm"],
      ],
    ),
  "every fit has a shape and a word": () =>
    equal(
      ["fits", "could be", "does not fit", "cannot be compared"].map((fit) => fitOf({ fit })[0]),
      ["there", "mind", "stop", "quiet"],
    ),
  "the sheet comes as page, PDF, CSV and JSON, with the lift by degree and the whole job": () =>
    equal(
      filesOf("/api/jobs/7").map(([href]) => href.split("/").pop()),
      [
        "sheet.html",
        "sheet.pdf",
        "sheet.csv",
        "parts.csv",
        "sheet.json",
        "report",
        "piston_map",
        "drive",
        "lift_table.csv",
        "job.zip",
      ],
    ),
};
