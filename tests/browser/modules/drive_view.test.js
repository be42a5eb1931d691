import { SLACK_COLUMNS, notSeen, queryOf, slackRows } from "/static/drive_view.js";
import { equal, ok } from "./check.js";

const figure = (value, u95) => ({ value, u95 });

export const tests = {
  "a cam whose slack was not seen is named, with what to do"() {
    equal(notSeen([]), "");
    ok(notSeen(["inlet", "exhaust"]).startsWith("No slack is told of inlet, exhaust: "));
  },
  "a row a cam, what is not known left open"() {
    const cam = {
      cam: "inlet",
      slack_deg: figure(1.8, 0.12),
      slack_mm: null,
      change_deg: figure(0.4, 0.15),
      change_mm: null,
      longer_percent: null,
      grown: "grown",
    };
    const [row] = slackRows([cam], (_, word) => word);
    equal(row.length, SLACK_COLUMNS.length);
    equal(row.slice(0, 4), ["inlet", "1.80° ± 0.12°", "–", "+0.40° ± 0.15°"]);
    equal(row.at(-1), "grown");
  },
  "what is typed becomes a query, what is not is left out"() {
    equal(queryOf({ teeth: "20", pitch: "9,525", links: "" }), "?crank_teeth=20&pitch_mm=9.525");
    equal(queryOf({ teeth: " ", pitch: "", links: "" }), "");
  },
};
