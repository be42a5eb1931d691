import {
  angleTyped,
  age,
  centreAngle,
  deadCentreTick,
  decimalsFor,
  digits,
  eventAngle,
  joined,
  length,
  lengthParts,
  lengthValue,
  plainAngle,
  unitParts,
  wrap,
  wrapSigned,
} from "/static/units.js";
import { equal, near } from "./check.js";

export const tests = {
  "an angle is typed as the trade says it": () =>
    equal(["108", "112 BTDC", "40,5° abdc", "-20", "−20", "30 BBDC", "late", ""].map(angleTyped), [
      108,
      -112,
      220.5,
      -20,
      -20,
      150,
      NaN,
      NaN,
    ]),
  "a minus sign is as wide as a digit's plus, never a hyphen": () => equal(digits(-1.5, 2), "−1.50"),
  "what rounds to nothing has no sign": () =>
    equal([digits(-0.001, 2), digits(0.001, 2, true)], ["0.00", "0.00"]),
  "a number that is none is a dash": () =>
    equal([digits(NaN, 2), digits(null, 1), digits(undefined, 0)], ["–", "–", "–"]),
  "an inch is 25.4 mm and a thousandth of it a thou": () => {
    equal(lengthParts(25.4, "inch"), { digits: "1.0000", unit: "in" });
    equal(lengthParts(0.0254, "thou"), { digits: "1.0", unit: "thou" });
    near(lengthValue(12.7, "thou"), 500, 1e-9);
  },
  "digits and unit cannot be torn apart by a line end": () => equal(length(9.4).includes(" "), false),
  "a missing reading stays a dash in every unit": () =>
    equal(
      ["mm", "inch", "thou"].map((kind) => lengthParts(null, kind).digits),
      ["–", "–", "–"],
    ),
  "wrapping never gives a negative angle": () =>
    equal([wrap(-10, 360), wrap(370, 360), wrap(720, 720)], [350, 10, 0]),
  "a signed difference takes the shorter way": () =>
    equal([wrapSigned(350, 360), wrapSigned(-350, 360), wrapSigned(180, 360)], [-10, 10, 180]),
  "an inlet is told ATDC and an exhaust BTDC": () => {
    equal(centreAngle(108, "atdc", 1), { digits: "108.0", unit: "° ATDC" });
    equal(centreAngle(610, "atdc", 1), { digits: "110.0", unit: "° BTDC" });
  },
  "a centre is told the same from either TDC": () =>
    equal(centreAngle(468, "atdc", 1), centreAngle(108, "atdc", 1)),
  "plain degrees stay plain": () => equal(joined(centreAngle(610, "plain", 1)), "610.0°"),
  "events are told from the nearest dead centre": () => {
    equal(joined(eventAngle(-9, "atdc")), "9.0° BTDC");
    equal(joined(eventAngle(235, "atdc")), "55.0° ABDC");
    equal(joined(eventAngle(129, "atdc")), "51.0° BBDC");
    equal(joined(eventAngle(13, "atdc")), "13.0° ATDC");
    equal(joined(eventAngle(590, "atdc")), "50.0° ABDC");
  },
  "ticks name the dead centres": () =>
    equal([0, 90, 180, 270, 360, -45].map(deadCentreTick), ["TDC", "90°", "BDC", "90°", "TDC", "45°"]),
  "a degree sign clings and words follow": () =>
    equal(
      [unitParts("° ATDC"), unitParts("mm"), unitParts("°")],
      [
        ["°", "ATDC"],
        ["", "mm"],
        ["°", ""],
      ],
    ),
  "an age is short": () =>
    equal(
      [age(0.44), age(59.6), age(600), age(7 * 3600), age(NaN), age(-1)],
      ["0.4 s", "60 s", "10 min", "7 h", "never", "never"],
    ),
  "a centre has no more decimals than its interval deserves": () =>
    equal([0.004, 0.04, 0.4, 4, 40, NaN].map(decimalsFor), [3, 2, 2, 1, 0, 2]),
  "plain angles take a sign on demand": () =>
    equal(plainAngle(Math.PI, 1, true), { digits: "+3.1", unit: "°" }),
};
