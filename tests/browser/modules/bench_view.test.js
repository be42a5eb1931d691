import { EMPTY } from "/static/bench_state.js";
import {
  keptState,
  nextTouch,
  readingOf,
  staleness,
  stepWords,
  theButton,
  theCautions,
  theNumber,
  theSentence,
  theWarnings,
} from "/static/bench_view.js";
import { equal, ok } from "./check.js";

const choices = { length: "mm", angle: "atdc" };
const crank = {
  name: "crank",
  quantity: "crank",
  state: "online",
  age_s: 0.1,
  rate_hz: 200,
  accepted: 9,
  rejected: 0,
  sentence: "",
  last_lines: [],
};
const alive = {
  ...EMPTY,
  captureAlive: true,
  channels: [crank],
  latest: { crank: { value: 734.5, wall_ms: 0 } },
  guide: { sentence: "Turn.", number: null, action: "", cautions: [], job_id: null },
};
const running = { id: 1, what: "lobe", touches: "inlet_1", gauge: "dial_a", state: "running", sentence: "" };

export const tests = {
  "the guide's number comes first": () => {
    const guide = { number: 12.345, unit: "deg", label: "to go", interval: 0.05 };
    equal(theNumber({ ...alive, guide }, choices), {
      label: "to go",
      digits: "12.35",
      unit: "°",
      interval: "± 0.05°",
    });
  },
  "the guide's millimetres are told in this screen's unit": () =>
    equal(
      theNumber(
        { ...alive, guide: { number: 0.254, unit: "mm", label: "lift", interval: null } },
        { length: "thou" },
      ).digits,
      "10.0",
    ),
  "then the centre as it settles": () => {
    const told = theNumber(
      { ...alive, measurement: running, result: { centre_deg: 110.123, u95_deg: 0.2 } },
      choices,
    );
    equal(
      [told.label, told.digits, told.unit, told.interval],
      ["Inlet lobe 1, settling", "110.12", "° ATDC", "± 0.20°"],
    );
  },
  "then the crank, on the encoder until true TDC is known": () => {
    equal(
      [theNumber(alive, choices).label, theNumber(alive, choices).digits],
      ["Crank, on the encoder", "14.5"],
    );
    const told = theNumber({ ...alive, tdcDeg: 24.5 }, choices);
    equal([told.digits, told.unit], ["10.0", "° BTDC"]);
  },
  "nothing known is a dash": () => equal(theNumber(EMPTY, choices).digits, "–"),
  "a live bench is fresh": () => equal(staleness("live", 100, alive), null),
  "a lost link is told with its age": () => ok(staleness("lost", 3400, alive).includes("3.4 s old")),
  "a silent encoder makes the number old though the link lives": () =>
    ok(
      staleness("live", 100, { ...alive, channels: [{ ...crank, state: "silent", age_s: 7 }] }).includes(
        "silent for 7.1 s",
      ),
    ),
  "a dead capture makes the number old": () => ok(staleness("live", 100, { ...alive, captureAlive: false })),
  "a stale screen gives no instruction": () => {
    ok(!theSentence(alive, "lost").includes("Turn."));
    equal(theSentence(alive, "live"), "Turn.");
  },
  "a reading over a lost link is stale and says how old": () => {
    const told = readingOf(crank, { value: 10 }, "lost", 5000, choices);
    equal([told.stale, told.kind, told.word], [true, "stop", "5.1 s old"]);
  },
  "a silent gauge is told by shape and word": () => {
    const told = readingOf(
      { ...crank, quantity: "gauge", state: "silent", sentence: "Push its plug home." },
      { value: 1 },
      "live",
      0,
      choices,
    );
    equal([told.stale, told.kind, told.word, told.note], [true, "mind", "silent", "Push its plug home."]);
  },
  "nothing can be pressed without a link": () =>
    equal(theButton(alive, { gauge: "a", touches: "piston_1" }, "lost").ready, false),
  "a job's button does what the guide says": () =>
    equal(
      theButton(
        { ...alive, guide: { ...alive.guide, job_id: 3, button: "Start", action: "/api/jobs/3/press" } },
        {},
        "live",
      ),
      { label: "Start", act: "/api/jobs/3/press", ready: true },
    ),
  "a job without a action has nothing to press": () =>
    equal(
      theButton(
        { ...alive, guide: { ...alive.guide, job_id: 3 } },
        { gauge: "a", touches: "piston_1" },
        "live",
      ).ready,
      false,
    ),
  "a signed job makes room for the next": () =>
    equal(
      theButton({ ...alive, guide: { ...alive.guide, job_id: 3, step: "Signed" } }, {}, "live").act,
      "/api/jobs/3/close",
    ),
  "without a job it starts, then finishes": () => {
    equal(theButton(alive, { gauge: "a", touches: "piston_1" }, "live").act, "start");
    equal(
      theButton({ ...alive, measurement: running }, { gauge: "a", touches: "piston_1" }, "live").act,
      "finish",
    );
  },
  "without a gauge nothing starts": () =>
    equal(theButton(alive, { gauge: "", touches: "piston_1" }, "live").ready, false),
  "a builder goes from the piston to the valves, then on": () =>
    equal(
      ["piston_1", "inlet_1", "exhaust_1", "exhaust_4"].map((one) => nextTouch(one, 4)),
      ["inlet_1", "exhaust_1", "inlet_2", "inlet_1"],
    ),
  "what the guide says already is not said twice": () => {
    const error = { code: "x", message: "Turn on." };
    equal(
      theWarnings({ ...alive, measurement: running, error, guide: { ...alive.guide, why: "Turn on." } }),
      [],
    );
    equal(theWarnings({ ...alive, measurement: running, error }).length, 1);
  },
  "warnings of a number stand apart from safety": () => {
    const both = {
      ...alive,
      result: { warnings: [{ message: "w" }] },
      guide: { ...alive.guide, cautions: ["c"] },
    };
    equal([theWarnings(both), theCautions(both)], [["w"], ["c"]]);
  },
  "three warnings at most, and more are counted": () => {
    const warnings = ["a", "b", "c", "d", "e"].map((message) => ({ message }));
    equal(theWarnings({ ...alive, result: { warnings } }), ["a", "b", "3 more warnings, with its trace."]);
    equal(theWarnings({ ...alive, result: { warnings: warnings.slice(0, 3) } }), ["a", "b", "c"]);
  },
  "another number of the guide's has none of the last one's warnings": () => {
    const result = { warnings: [{ message: "w" }] };
    const led = { ...alive.guide, number: 3.4, unit: "deg", label: "to go" };
    equal(theWarnings({ ...alive, result, guide: led }), []);
    equal(theWarnings({ ...alive, result, guide: { ...led, call: "out" } }), ["w"]);
    equal(
      theWarnings({ ...alive, result, guide: { ...alive.guide, was: "was 3.4 late; now unproved" } }),
      [],
    );
  },
  "a number that holds no more is words alone": () => {
    const guide = { ...alive.guide, job_id: 1, was: "was 3.4 deg late; now unproved" };
    const done = {
      ...alive,
      measurement: { ...running, state: "finished" },
      result: { centre_deg: 110, u95_deg: 0.1 },
    };
    const told = theNumber({ ...done, guide }, choices);
    equal([told.digits, told.label], ["", "was 3.4 deg late; now unproved"]);
  },
  "a wall shows nothing raw": () => equal(theNumber(alive, choices, false).digits, ""),
  "short of the number the large button is dead, and says why": () => {
    const move = { turn: "clockwise", to_go_deg: 3.4, to_go_cam_deg: 1.7, too_far: false };
    const told = theButton({ ...alive, guide: { ...alive.guide, job_id: 3, move } }, {}, "live");
    equal([told.ready, told.label], [false, "Not on the number yet"]);
  },
  "where the job is": () =>
    equal(
      [stepWords({ step_number: 9, steps: 19 }), stepWords({ steps: 0 }), stepWords(null)],
      ["Step 9 of 19", "", ""],
    ),
  "what is not kept is told as stopped": () =>
    equal(
      [
        keptState({ recorder: null, captureAlive: false, channels: [] }).kind,
        keptState({ recorder: null, captureAlive: true, channels: [{}] }).kind,
        keptState({ recorder: null, captureAlive: true, channels: [] }).kind,
        keptState({ recorder: { state: "recording", unsaved_s: 0.4, sentence: "" } }).kind,
        keptState({ recorder: { state: "failing", unsaved_s: 30, sentence: "The disk is full." } }).word,
      ],
      ["mind", "mind", "quiet", "live", "The disk is full."],
    ),
};
