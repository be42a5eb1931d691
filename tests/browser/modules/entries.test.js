import { cardEntry, engineEntry, inOrder, jobEntry, names, typed } from "/static/entries.js";
import { equal } from "./check.js";

export const tests = {
  "plain numbers go as numbers, also with a comma": () => equal([typed("108"), typed(" 9,65 ")], [108, 9.65]),
  "what has a unit goes as it was typed": () =>
    equal([typed("0.380 in"), typed("108 ATDC")], ["0.380 in", "108 ATDC"]),
  "nothing typed is nothing": () =>
    equal(
      [typed(""), typed("  "), typed(undefined)].every((value) => value === undefined),
      true,
    ),
  "a firing order is read however it is written": () =>
    equal(
      [names("1-3-4-2"), names("1, 3, 4, 2"), names("A1 B1")],
      [
        ["1", "3", "4", "2"],
        ["1", "3", "4", "2"],
        ["A1", "B1"],
      ],
    ),
  "cylinders are put in the order a builder counts": () => equal(inOrder(["10", "2", "1"]), ["1", "2", "10"]),
  "an engine is bound from its form": () => {
    const { engine } = engineEntry({
      name: " Tarn 1.8 twin-cam ",
      firing_order: "1-3-4-2",
      layout: "twin cam",
      rotation: "clockwise",
      seen_from: "timing end",
      stroke_mm: "80",
      rod_mm: "",
      "adjuster.kind": "slots",
      "adjuster.bolt_circle_radius_mm": "42",
    });
    equal(
      [
        engine.name,
        engine.cylinders,
        engine.cams.map((cam) => cam.valves),
        engine.stroke_mm,
        "rod_mm" in engine,
      ],
      ["Tarn 1.8 twin-cam", ["1", "2", "3", "4"], [["inlet"], ["exhaust"]], 80, false],
    );
    equal(engine.cams[0].adjuster, { kind: "slots", bolt_circle_radius_mm: 42 });
  },
  "several valves a cylinder are counted": () =>
    equal(
      [
        engineEntry({ firing_order: "1", layout: "twin cam", inlet_valves: "2", exhaust_valves: "1" }).engine,
      ].map((engine) => [engine.inlet_valves, engine.exhaust_valves]),
      [[2, 1]],
    ),
  "a single cam opens both": () =>
    equal(
      engineEntry({ name: "Sallow 1.3", firing_order: "1-3-4-2", layout: "single cam" }).engine.cams.map(
        (cam) => cam.valves,
      ),
      [["inlet", "exhaust"]],
    ),
  "key sizes are a list of numbers": () =>
    equal(
      engineEntry({
        firing_order: "1",
        layout: "single cam",
        "adjuster.kind": "keys",
        "adjuster.sizes_deg": "1 1.5 2",
      }).engine.cams[0].adjuster.sizes_deg,
      [1, 1.5, 2],
    ),
  "an empty half of a card is not sent": () => {
    const { card, unit } = cardEntry({
      name: "Garth 248",
      way: "full_lift",
      unit: "in",
      "inlet.full_lift_deg": "106",
      "inlet.drop_mm": "0.05",
    });
    equal([card.inlet, card.exhaust ?? null, unit], [{ full_lift_deg: 106, drop_mm: 0.05 }, null, "in"]);
  },
  "a job binds numbers, not texts": () => {
    const entry = jobEntry(
      { reference: "HL-0417", engine_id: "2", card_id: "3", cylinders_wanted: "2 3", tolerance_deg: "" },
      ["rod_ratio"],
    );
    equal(
      [
        entry.engine_id,
        entry.card_id,
        entry.cylinders_wanted,
        entry.confirmed,
        entry.open,
        "tolerance_deg" in entry,
      ],
      [2, 3, ["2", "3"], ["rod_ratio"], true, false],
    );
  },
};
