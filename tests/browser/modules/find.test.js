import { dayOf, matches } from "/static/find.js";
import { equal, ok } from "./check.js";

const inlet = {
  id: 12,
  what: "lobe",
  touches: "inlet_2",
  gauge: "dial_a",
  state: "finished",
  started_at: "2025-11-25T10:00:00Z",
};
const any = { words: "", what: "", day: "" };

export const tests = {
  "nothing asked fits everything": () => ok(matches(inlet, any)),
  "lobe, gauge, number and job are found": () =>
    equal(
      ["inlet lobe 2", "dial_a", "12", "HL-0417"].map((words) =>
        matches(inlet, { ...any, words }, "HL-0417"),
      ),
      [true, true, true, true],
    ),
  "every word must be found": () => equal(matches(inlet, { ...any, words: "inlet exhaust" }), false),
  "kinds are told apart": () =>
    equal(
      ["tdc", "inlet", "exhaust"].map((what) => matches(inlet, { ...any, what })),
      [false, true, false],
    ),
  "a day is the day where the screen stands": () => {
    ok(matches(inlet, { ...any, day: dayOf(inlet.started_at) }));
    equal(matches(inlet, { ...any, day: "2025-11-20" }), false);
  },
};
