import { handEntry, handLobes, pairsTyped } from "/static/job_hand.js";
import { equal, near, throws } from "./check.js";

const mm = { length: "mm" };
const lobe = { kind: "lobe", lobes: [{ valve: "exhaust", cylinder: "1", touches: "exhaust_1" }] };

export const tests = {
  "a step without lobes is true TDC": () => equal(handLobes({ kind: "true_tdc" }), []),
  "a pair of true TDC is two angles": () =>
    equal(pairsTyped("0 12\n358; 14\n", null, "mm"), [
      { before_deg: 0, after_deg: 12 },
      { before_deg: 358, after_deg: 14 },
    ]),
  "a decimal comma and a list comma are told apart": () =>
    equal(pairsTyped("108,5, 128,5, 1,27", lobe, "mm"), [
      { before_deg: 108.5, after_deg: 128.5, drop_mm: 1.27 },
    ]),
  "a drop in thou goes in mm": () => near(pairsTyped("108 128 50", lobe, "thou")[0].drop_mm, 1.27, 1e-9),
  "a line that is no pair is named": () =>
    throws(() => pairsTyped("108 128 1.27\n108", lobe, "mm"), "Line 2"),
  "a lobe's pair without its drop is asked for it": () =>
    throws(() => pairsTyped("108 128", lobe, "mm"), "Line 1 does not say how far"),
  "a lobe is sent with its valve and cylinder": () =>
    equal(handEntry({ pairs: "120 100 1.27", valve: "exhaust 1", peak: "9.1", division: "0.5" }, lobe, mm), {
      what: "lobe",
      pairs: [{ before_deg: 120, after_deg: 100, drop_mm: 1.27 }],
      cylinder: "1",
      valve: "exhaust",
      peak_lift_mm: 9.1,
      disc_division_deg: 0.5,
    }),
  "what is left empty is not sent": () =>
    equal(handEntry({ pairs: "0 12", peak: "", division: "" }, { kind: "true_tdc", lobes: [] }, mm), {
      what: "tdc",
      pairs: [{ before_deg: 0, after_deg: 12 }],
    }),
};
