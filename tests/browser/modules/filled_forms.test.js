import { cardEntry, engineEntry } from "/static/entries.js";
import { cardTexts, changedIn, engineTexts } from "/static/filled_forms.js";
import { equal } from "./check.js";

const ADJUSTER = {
  kind: "keys",
  bolt_circle_radius_mm: null,
  slot_each_way_cam_deg: null,
  hole_cam_deg: null,
  sizes_deg: [1, 2.5],
  sizes_act_on: "crank",
  fitted_deg: -1,
  gear_teeth: null,
};
const ENGINE = {
  name: "Tarn 3.0 vee",
  cylinders: ["A1", "A2", "B1", "B2"],
  firing_order: ["A1", "B1", "A2", "B2"],
  firing_intervals_deg: [],
  cams: ["A", "B"].map((bank) => ({
    name: `${bank} camshaft`,
    valves: ["inlet", "exhaust"],
    cylinders: [`${bank}1`, `${bank}2`],
    adjuster: ADJUSTER,
    turns_with_crank: false,
    told_by_hand: "kept as it is",
  })),
  stroke_mm: 80.0,
  rod_mm: 135.25,
  pin_offset_mm: -0.8,
  pin_side_known: true,
  crown: "unknown",
  forward_only: true,
  variable_timing: false,
  note: "not asked for in the form",
};

export const tests = {
  "what stands in an engine comes back out of its form"() {
    const { engine } = engineEntry(engineTexts(ENGINE));
    equal(engine.firing_order, ENGINE.firing_order);
    equal(engine.pin_offset_mm, -0.8);
    equal(engine.pin_side_known, true);
    equal(engine.forward_only, true);
    equal(engine.cams[1].cylinders, ["B1", "B2"]);
    equal(engine.cams[0].turns_with_crank, false);
    equal(engine.cams[0].adjuster.sizes_deg, [1, 2.5]);
    equal(engine.cams[0].adjuster.fitted_deg, -1);
    equal(engine.crown, undefined);
  },
  "only what was changed in the form is changed, and what it does not ask for stays"() {
    const texts = engineTexts(ENGINE);
    const before = engineEntry(texts).engine;
    equal(changedIn(ENGINE, before, engineEntry(texts).engine), ENGINE);
    const now = engineEntry({ ...texts, stroke_mm: "81", pin_offset_mm: "" }).engine;
    const { pin_offset_mm: gone, pin_side_known: known, ...rest } = ENGINE;
    equal(changedIn(ENGINE, before, now), { ...rest, stroke_mm: 81 });
    equal(gone, -0.8);
    equal(known, true);
  },
  "a half of a card keeps what its form does not show"() {
    const card = {
      name: "Whinfell 262",
      way: "full_lift",
      maker: "",
      tolerance_deg: null,
      inlet: { full_lift_deg: 108, drop_mm: 1.27, lift_mm: 9.4, lift_at: "valve", table: [[0, 9.4]] },
      exhaust: null,
    };
    const texts = cardTexts(card);
    const before = cardEntry(texts).card;
    const now = cardEntry({ ...texts, "inlet.lift_mm": "9.6 mm", tolerance_deg: "1" }).card;
    equal(changedIn(card, before, now), {
      ...card,
      tolerance_deg: 1,
      inlet: { ...card.inlet, lift_mm: "9.6 mm" },
    });
  },
};
