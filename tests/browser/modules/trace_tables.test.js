import {
  budgetRows,
  eventRows,
  factRows,
  pairRows,
  passRows,
  shareBar,
  shiftTold,
  table,
  turnedWords,
} from "/static/trace_tables.js";
import { equal, ok } from "./check.js";

const choices = { length: "mm", angle: "atdc" };
const item = {
  what: "lobe",
  centre: 110,
  period: 720,
  turn: (deg) => deg,
  pairs: [{ drop_mm: 1.27, before_deg: 90, after_deg: 130.4, midpoint_deg: 110.2 }],
  result: {
    full_lift_deg: 109.8,
    peak_lift_mm: 9.4,
    asymmetry_deg: 0.2,
    slack_deg: null,
    lag_s: 0.06,
    passes: [
      { direction: 1, speed_deg_s: 30, centre_deg: 110.1, u_deg: 0.05, used: true },
      { direction: -1, speed_deg_s: -25, centre_deg: null, u_deg: null, used: false },
    ],
    events: [{ lift_mm: 1, opens_deg: 710, closes_deg: 230, duration_deg: 240 }],
  },
  detail: {
    budget: [
      { source: "lag", u_deg: 0.03 },
      { source: "gauge step", u_deg: 0.04 },
    ],
    residual_sd_mm: 0.002,
  },
};
const plain = (rows) => rows.map((row) => row.map((cell) => String(cell).replace(/\s/g, " ")));

export const tests = {
  "a shift has its interval where one was told": () => {
    equal(shiftTold(0.8, 0.12), "0.80° ± 0.12° later");
    equal(shiftTold(-3, undefined), "3.00° earlier");
  },
  "a pair is told with how far it is off the centre": () =>
    equal(plain(pairRows(item, choices))[0], [
      "1.27 mm",
      "90.00° ATDC",
      "130.40° ATDC",
      "110.20° ATDC",
      "+0.20°",
    ]),
  "a pass back is told in word and arrow": () => {
    const [on, back] = passRows(item, choices);
    ok(on[1].includes("on") && back[1].includes("back"));
    equal([back[3], back[4]], ["–", "slack only"]);
  },
  "the budget is largest first and its shares make one": () => {
    const rows = budgetRows(item);
    equal(rows[0][0], "gauge step");
    ok(Math.abs(rows[0][2] + rows[1][2] - 1) < 1e-9);
  },
  "events are told from the dead centres": () =>
    equal(plain(eventRows(item, choices))[0], ["1.00 mm", "10.0° BTDC", "50.0° ABDC", "240.0°"]),
  "slack that was not seen says so": () =>
    ok(factRows(item, choices).some(([name, value]) => name === "Slack" && value.includes("not seen"))),
  "a trace without a number has no facts": () => equal(factRows({ ...item, result: null }, choices), []),
  "an empty table is a sentence": () => equal(table([["a", true]], [], "Nothing.").textContent, "Nothing."),
  "two positions of the encoder are told with what each said alone": () => {
    const told = {
      centre_deg: 110.1,
      u95_deg: 0.11,
      before_u95_deg: 0.32,
      after_u95_deg: 0.31,
      sentence: "It is out.",
    };
    equal(
      turnedWords(told, choices).replace(/\s/g, " "),
      "Of both positions of the encoder: 110.10° ATDC ± 0.11°, alone ± 0.32° and ± 0.31°. It is out.",
    );
  },
  "a limit that nobody stated is told beside its line": () => {
    const settings = { encoder_supposed: true, encoder_error_deg: 0.1 };
    const detail = { budget: [{ source: "encoder out of round", u_deg: 0.08 }] };
    equal(
      budgetRows({ ...item, detail, settings })[0][0],
      "encoder out of round (0.1° supposed, none stated)",
    );
  },
  "a table has a heading a column": () =>
    equal(
      table(
        [
          ["a", true],
          ["b", false],
        ],
        [["1", "2"]],
        "",
      ).querySelectorAll("th[scope=col]").length,
      2,
    ),
  "a bar always has its number beside it": () => ok(shareBar(0.25).textContent.includes("25 %")),
};
