import {
  callOf,
  errorWords,
  factWords,
  lobeTracks,
  ruleReach,
  stageWords,
  standingOf,
} from "/static/job_view.js";
import { equal, ok } from "./check.js";

const choices = { length: "mm", angle: "atdc" };

const verdict = (error) => ({ call: "out", error_deg: error, u95_deg: 0.1, tolerance_deg: 1 });
const measured = (valve, stage, error) => ({ valve, cylinder: "1", stage, verdict: verdict(error) });

export const tests = {
  "every standing has a shape and a word": () => {
    const told = ["done", "now", "blocked", "skipped", "open"].map((state) =>
      standingOf({ state, code: "x" }),
    );
    equal(new Set(told.map(([kind]) => kind)).size, 5);
  },
  "a step that only waits alarms nobody": () =>
    equal(standingOf({ state: "blocked", code: "" }), ["quiet", "waits"]),
  "early and late are words": () =>
    equal(
      [errorWords(1.234), errorWords(-0.3), errorWords(0.001), errorWords(NaN)],
      ["1.23° late", "0.30° early", "on the number", "–"],
    ),
  "every call has a shape and a word": () =>
    equal(
      [callOf({ call: "in" }), callOf({ call: "out" }), callOf({ call: "cannot_tell" }), callOf(null)].map(
        ([, word]) => word,
      ),
      ["in", "out", "cannot tell", "not compared"],
    ),
  "stages are told in the trade's words": () =>
    equal(["as_found", "nipped", "torqued"].map(stageWords), ["as found", "nipped up", "torqued"]),
  "a fact is one line with its reason and its trace": () => {
    const skipped = factWords(
      { what: { kind: "skipped", step: "again.inlet", reason: "one cam only" } },
      choices,
      [{ id: "again.inlet", title: "Inlet cam once more" }],
    );
    equal(skipped.words, "left out: Inlet cam once more. Reason: one cam only");
    equal(
      factWords(
        {
          what: {
            kind: "lobe_measured",
            valve: "inlet",
            cylinder: "1",
            centre_deg: 108.2,
            u95_deg: 0.1,
            measurement_id: "12",
          },
        },
        choices,
      ).trace,
      12,
    );
    ok(
      factWords(
        {
          what: { kind: "lobe_measured", valve: "exhaust", cylinder: "1", centre_deg: -112.4, u95_deg: 0.1 },
        },
        choices,
      ).words.startsWith("exhaust lobe 1: 112.40° BTDC ± 0.10°"),
    );
    equal(
      factWords(
        { what: { kind: "tdc_measured", cylinder: "1", centre_deg: 4, u95_deg: 0.1, by_hand: true } },
        {},
      ).byHand,
      true,
    );
  },
  "what was decided and tightened is told in the trade's words": () => {
    equal(
      factWords({ what: { kind: "decided", cam: "inlet", decision: "correct" } }, choices).words,
      "inlet cam to be corrected",
    );
    equal(
      factWords({ what: { kind: "tightened", cam: "inlet", to: "nipped" } }, choices).words,
      "inlet cam nipped up",
    );
  },
  "a fact of an unknown kind is still named": () =>
    equal(factWords({ what: { kind: "of_tomorrow" } }, {}).words, "of tomorrow"),
  "a lobe's measurements are one track in order": () => {
    const tracks = lobeTracks([
      { measured: [measured("inlet", "as_found", 4), measured("inlet", "torqued", 0.1)] },
      { measured: [measured("exhaust", "as_found", -2)] },
    ]);
    equal(
      tracks.map((track) => [track.name, track.marks.map((mark) => mark.error)]),
      [
        ["inlet 1", [4, 0.1]],
        ["exhaust 1", [-2]],
      ],
    );
  },
  "what cannot be compared is not drawn": () =>
    equal(
      lobeTracks([{ measured: [{ valve: "inlet", cylinder: "1", stage: "as_found", verdict: null }] }]),
      [],
    ),
  "the rule holds the largest error": () =>
    ok(ruleReach([{ tolerance: 1, marks: [{ error: -7, u95: 0.2 }] }]) > 7.2),
};
