import { EMPTY } from "/static/bench_state.js";
import { LiveCurve, labelAt, viewOfCurve } from "/static/live_curve.js";
import { equal, ok, pause } from "./check.js";

const choices = { length: "mm", angle: "atdc" };
const measurement = { id: 1, what: "lobe", touches: "inlet_1", state: "running" };
const crank = { name: "crank", quantity: "crank", state: "online" };

function bench(count, more = {}) {
  const crankDeg = Array.from({ length: count }, (_, at) => at * 2);
  const gaugeMm = crankDeg.map((deg) => 9 * Math.exp(-(((deg - 110) / 50) ** 2)));
  return {
    ...EMPTY,
    channels: [crank],
    latest: { crank: { value: 100 } },
    measurement,
    points: { id: 1, crankDeg, gaugeMm, way: crankDeg.map(() => 1) },
    ...more,
  };
}

async function drawn(state, scale = 1, width = 600) {
  document.body.innerHTML = `<div style="width: ${width}px; height: 300px"><canvas></canvas></div>`;
  const curve = new LiveCurve(document.querySelector("canvas"), scale);
  await pause(30);
  curve.draw(viewOfCurve(state, choices, false));
  return curve;
}

function inked(curve) {
  const { width, height } = curve.canvas;
  return curve.canvas
    .getContext("2d")
    .getImageData(0, 0, width, height)
    .data.filter((_, at) => at % 4 === 3)
    .filter(Boolean).length;
}

export const tests = {
  "an empty drawing has axes and does not fail": async () => ok(inked(await drawn({ ...EMPTY })) > 0),
  "readings make marks": async () => {
    const empty = inked(await drawn(bench(0)));
    const full = inked(await drawn(bench(100)));
    ok(full > empty, `${full} > ${empty}`);
  },
  "points are painted once": async () => {
    const curve = await drawn(bench(100));
    equal([curve.painted, curve.scanned], [100, 100]);
  },
  "higher readings stand higher and later ones to the right": async () => {
    const curve = await drawn(bench(100));
    ok(curve.y(9) < curve.y(0));
    ok(curve.x(120) > curve.x(60));
  },
  "a fitted curve is drawn as the gauge reads, also of one that counts down, however few points a late page has":
    async () => {
      const deg = Array.from({ length: 360 }, (_, at) => at * 2);
      const lift = deg.map((d) => 9 * Math.exp(-(((d - 110) / 50) ** 2)));
      for (const [points, mm, top] of [
        [100, lift, 9],
        [3, lift, 9],
        [100, lift.map((one) => 11 - one), 2],
        [3, lift.map((one) => 11 - one), 2],
      ]) {
        const curve = await drawn({
          ...bench(points),
          fit: { deg, mm },
          result: { centre_deg: 110, u95_deg: 0.2 },
        });
        ok(Math.abs(curve.laidFit.top.mm - top) < 0.05, `${points} points: ${curve.laidFit.top.mm}`);
      }
    },
  "a lobe stands upwards as lift, also where the gauge counts down": async () => {
    const deg = Array.from({ length: 360 }, (_, at) => at * 2);
    const down = deg.map((d) => 11 - 9 * Math.exp(-(((d - 110) / 50) ** 2)));
    const before = bench(100);
    before.points.gaugeMm = before.points.gaugeMm.map((mm) => 11 - mm);
    const curve = await drawn({
      ...before,
      fit: { deg, mm: down },
      result: { centre_deg: 110, u95_deg: 0.2 },
    });
    ok(curve.y(2) < curve.y(11), "full lift stands above the base circle");
    ok(curve.upwards.lift && Math.abs(curve.up(2) - 9) < 0.01, `lift ${curve.up(2)}`);
    curve.draw(viewOfCurve({ ...before, measurement: { ...measurement, id: 2 } }, choices, false));
    ok(
      !curve.upwards.lift && curve.y(2) < curve.y(11),
      "the next lobe begins upwards, too, as the gauge reads",
    );
  },
  "a label stands beside its line, never over the axis's name or past the edge": () => {
    equal(labelAt(200, 150, 90, 600), 208);
    equal(labelAt(500, 150, 90, 600), 342);
    equal(labelAt(60, 150, 90, 600), 90);
    equal(labelAt(180, 170, 6, 240), 6);
  },
  "a narrow drawing keeps a line of its own for the centre's label, and a wall's is enlarged only where there is room":
    async () => {
      const wide = await drawn(bench(3), 1.8, 1260);
      const narrow = await drawn(bench(3), 1.8, 360);
      ok(narrow.top > wide.top, `${narrow.top} > ${wide.top}`);
      equal([Math.round(wide.width), narrow.width], [700, 360]);
    },
  "a new measurement starts an empty drawing": async () => {
    const curve = await drawn(bench(100));
    curve.draw(viewOfCurve({ ...bench(3), measurement: { ...measurement, id: 2 } }, choices, false));
    equal(curve.painted, 3);
  },
  "ticks name the dead centres for a lobe, degrees for a piston": () => {
    const lobe = viewOfCurve(bench(3), choices, false);
    const piston = viewOfCurve({ ...bench(3), measurement: { ...measurement, what: "tdc" } }, choices, false);
    equal(
      [lobe.tick(180, 720), piston.tick(180, 360), lobe.period, piston.period],
      ["BDC", "180°", 720, 360],
    );
  },
};
