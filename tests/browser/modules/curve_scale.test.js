import { Span, angleMarks, angleTicks, lengthTicks, niceStep, placeInWindow } from "/static/curve_scale.js";
import { equal, near, ok } from "./check.js";

function spanOf(from, to, period = 720) {
  const span = new Span(period);
  for (let deg = from; deg <= to; deg += 1) span.add(deg);
  return span;
}

export const tests = {
  "nothing yet shows the whole turn": () => equal(new Span(720).window(), { start: 0, width: 720 }),
  "a rocked dwell is framed": () => {
    const { start, width } = spanOf(100, 160).window();
    ok(start < 100 && start + width > 160 && width < 100, `${start} ${width}`);
  },
  "a dwell across zero is framed as one": () => {
    const { start, width } = spanOf(-30, 30, 360).window();
    ok(start > 300 && width < 110, `${start} ${width}`);
    near(placeInWindow(0, { start, width }, 360), 0.5, 0.06);
  },
  "two turns show the whole cycle": () => equal(spanOf(0, 719).window().width, 720),
  "only a point in a new place can move the frame": () => {
    const span = new Span(360);
    equal([span.add(10), span.add(10.5), span.add(200)], [true, false, true]);
  },
  "what lies before the frame is placed before it": () =>
    ok(placeInWindow(350, { start: 0, width: 90 }, 360) < 0),
  "steps are 1, 2, 5": () => equal([niceStep(10, 5), niceStep(1.3, 5), niceStep(0.031, 4)], [2, 0.5, 0.01]),
  "angles are marked where a builder counts": () =>
    equal(angleTicks({ start: 80, width: 100 }, 5), [90, 120, 150, 180]),
  "a lobe's angles are told from the dead centres, an encoder's and a plain screen's are not": () => {
    equal(angleMarks([-10, 190], 300, { angles: "lobe", wording: "atdc" }).texts, ["TDC", "90°", "BDC"]);
    equal(angleMarks([-10, 190], 300, { angles: "plain", wording: "atdc" }).texts, ["0°", "90°", "180°"]);
    equal(angleMarks([-10, 190], 300, { angles: "lobe", wording: "plain" }).values, [0, 90, 180]);
  },
  "lengths have the decimals that their step needs": () =>
    equal(lengthTicks(0, 0.5, 5), { ticks: [0, 0.1, 0.2, 0.30000000000000004, 0.4, 0.5], decimals: 1 }),
};
