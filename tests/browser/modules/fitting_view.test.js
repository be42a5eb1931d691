import {
  canBeNamed,
  compressionBody,
  compressionRows,
  deckBody,
  deckForRatio,
  deckRows,
  faceMoved,
  keptRow,
  markRead,
  markBody,
  nextOfDeck,
  ofTheJob,
  partBody,
  readingLimit,
  roundLine,
  runoutRows,
  stripPath,
  typed,
  waitingWords,
  withReading,
} from "/static/fitting_view.js";
import { equal, ok } from "./check.js";

const refused = (call) => {
  try {
    call();
  } catch (problem) {
    return problem.message;
  }
  return "";
};

export const tests = {
  "a crown that was read stands in its cylinder's line"() {
    equal(withReading("", "1", "first", 0.3104), "1 = 0.310 /");
    equal(withReading("1 = 0.310 /", "1", "second", 0.25), "1 = 0.310 / 0.250");
    equal(withReading("1 = 0.310 / 0.250", "1", "first", -0.05), "1 = -0.050 / 0.250");
    equal(withReading("1 = 0.310 / 0.250", "2", "second", 0.2), "1 = 0.310 / 0.250\n2 =  / 0.200");
    equal(withReading("11 = 0.1 / 0.2", "1", "first", 0.3), "11 = 0.1 / 0.2\n1 = 0.300 /");
  },
  "what comes next is told after every reading of the deck"() {
    for (const [place, words] of [
      ["face", "first place"],
      ["first", "second place"],
      ["second", "Tell the deck"],
    ])
      ok(nextOfDeck(place).includes(words));
  },
  "the crank at a mark fills its fields"() {
    const found = markRead({ mark_deg: 126.15, tdc_deg: 124.4512, tdc_u95_deg: 0.0312, tdc_of: "piston_1" });
    equal(found, { mark_deg: "126.15", tdc_deg: "124.451", tdc_u95_deg: "0.031" });
  },
  "a strip wants a rim that can be"() {
    equal(stripPath("152,4", "true"), "/api/fitting/strip.pdf?rim_mm=152.4&anticlockwise=true");
    ok(refused(() => stripPath("", "false")).includes("no number"));
    ok(refused(() => stripPath("12", "false")).includes("40 to 1200 mm"));
  },
  "an open job has pages of its own"() {
    equal(ofTheJob(null), []);
    equal(ofTheJob(7)[1], ["/jobs/7/piston_map", "Valve to piston"]);
  },
  "a crown with one place alone is said to be so"() {
    ok(
      refused(() => deckBody({ crowns: withReading("", "1", "first", 0.31), spacing: "" })).includes(
        "two places",
      ),
    );
  },
  "a face that reads otherwise than before is spoken of"() {
    equal(faceMoved(null, 1.2), "");
    equal(faceMoved(1.2, 1.21), "");
    ok(faceMoved(1.2, 1.26).includes("0.060 mm otherwise"));
  },
  "a reading's limit is never finer than usual"() {
    equal(readingLimit([]), 0.01);
    equal(readingLimit([0.004, 0.02]).toFixed(4), "0.0173");
  },
  "how far it was turned is said while it is waited for"() {
    const waiting = { kind: "runout", sentence: "Turn it.", turned_deg: 540 };
    equal(waitingWords(waiting), "Turn it. Turned so far: 1.5 times round.");
    equal(waitingWords({ ...waiting, kind: "end_float" }), "Turn it.");
  },
  "only what has no name can be named"() {
    ok(canBeNamed({ fact: null, part: "" }));
    ok(!canBeNamed({ fact: null, part: "Damper" }));
  },
  "limits and gauge of a part as they are typed"() {
    equal(partBody({ most_mm: "0,05", gauge: "dial_b" }), { most_mm: 0.05, gauge: "dial_b" });
    equal(partBody({ most_mm: " ", gauge: "" }), {});
  },
  "of a part's waves those are told that are seen"() {
    const mm = { value: 0.034, u95: 0.002 };
    const wave = (times, seen) => ({ times, seen, amplitude_mm: mm, high_at_deg: { value: 40, u95: 3 } });
    const found = { total_mm: mm, eccentricity_mm: mm, ovality_mm: mm, turns: 2.04 };
    const rows = runoutRows({ ...found, waves: [wave(1, true), wave(2, false)] });
    equal(rows.length, 5);
    equal(rows[3], ["Once a turn, highest first at", "40 ± 3°"]);
  },
  "a face is out of square, neither off its axis nor oval"() {
    const mm = { value: 0.052, u95: 0.002 };
    const swash = { radius_mm: 50, swash_mm: mm, tilt_deg: { value: 0.03, u95: 0.001 } };
    const rows = runoutRows({
      total_mm: mm,
      eccentricity_mm: mm,
      ovality_mm: mm,
      turns: 2,
      waves: [],
      swash,
    });
    equal(
      rows.map(([name]) => name.replace("\u00a0", " ")),
      ["Full swing", "Swash 50 mm from the axis", "Out of square", "Turned"],
    );
  },
  "what was typed without a limit promises none"() {
    const found = { ratio: { value: 9.17, u95: 0.04 }, swept_cm3: { value: 412.24, u95: 0 } };
    const told = { ...found, left_cm3: { value: 50.4, u95: 0.2 } };
    const [ratio, swept, , bare] = compressionRows({ ...told, without_limit: ["bore", "stroke"] });
    equal([ratio[1], swept[1], bare[1]], ["9.17 ± 0.04 : 1", "412.24\u00a0cm³", "bore, stroke"]);
    equal(compressionRows({ ...told, without_limit: [] }).length, 3);
  },
  "a kept result tells its numbers and the limits typed"() {
    const figures = [
      { name: "float", value: 0.1399, u95: 0.01, unit: "mm" },
      { name: "late", value: 2, u95: 0.25, unit: "deg" },
    ];
    const limits = { least_mm: 0.05, most_mm: 0.3, held: "within" };
    const one = { at: "2031-03-02T10:11:00Z", part: "Crankshaft", what: "end_float", figures, ...limits };
    const [when, ...rest] = keptRow(one, "en-GB");
    ok(when.includes("2031"));
    const found = ["float 0.140\u00a0±\u00a00.010\u00a0mm", "late 2.0\u00a0±\u00a00.3°"];
    equal(rest, ["Crankshaft", "End float", found, "0.05 to 0.3\u00a0mm: within"]);
    equal(keptRow({ ...one, least_mm: null, most_mm: null, held: "" }, "en-GB")[4], "");
  },
  "the highest place is drawn uppermost"() {
    equal(roundLine({ crank_deg: [0, 180], reading_mm: [-0.1, 0.1] }, 360, 90), "0.0,90.0 180.0,0.0");
  },
  "a number with its limit, a comma for a point"() {
    equal(typed("86±0,02"), { value: 86, limit: 0.02 });
    equal(typed("−0.1"), { value: -0.1, limit: 0 });
    ok(refused(() => typed("wide")).includes("is no number"));
  },
  "empty fields are left out"() {
    equal(compressionBody({ bore_mm: "86", dish_cm3: " " }), { bore_mm: { value: 86, limit: 0 } });
    equal(markBody({ mark_deg: "12.5", tdc_u95_deg: "" }), { mark_deg: 12.5 });
  },
  "crowns are lines of two places"() {
    equal(deckBody({ crowns: "1 = 0.31 / 0.25\n\nA2: -0.1+-0.2 / 0,1", spacing: "92" }), {
      crowns: [
        { cylinder: "1", first_mm: [0.31], second_mm: [0.25] },
        { cylinder: "A2", first_mm: [-0.1, -0.2], second_mm: [0.1] },
      ],
      spacing_mm: 92,
    });
    ok(refused(() => deckBody({ crowns: "1 = 0.3", spacing: "" })).includes("two places"));
  },
  "a proud piston is told so; the mean goes to the ratio"() {
    const one = (cylinder, value) => ({
      cylinder,
      deck_mm: { value, u95: 0.02 },
      leans_mm: { value: 0, u95: 0 },
      limit_mm: 0.016,
    });
    const found = { cylinders: [one("1", -0.1), one("2", 0.2)], spread_mm: { value: 0.3, u95: 0.02 } };
    equal(deckRows(found)[0][0], "Cylinder 1, proud");
    equal(deckForRatio(found), "0.050±0.166");
  },
};
