import { VALVE_COLUMNS, mapFigure, missing, room, valveRows } from "/static/piston_map_view.js";
import { equal } from "./check.js";

const LOOK = { colours: { stop: "red", ink: "black" }, lengthKind: "mm", angle: "atdc" };
const SHIFTS = [-10, 0, 10];
const edge = (valve, more = {}) => ({
  valve,
  least_mm: [2, 3, 4],
  u95_mm: [0.1, 0.1, 0.1],
  at_deg: [9, 8, 7],
  now_mm: 3,
  now_u95_mm: 0.1,
  now_at_deg: 8,
  minimum_mm: 2.5,
  minimum_from: "engine maker",
  call: "in",
  earlier: { shift_deg: -5, sure_deg: -4 },
  later: null,
  card_shift_deg: -6,
  at_card_mm: 2.4,
  at_card_u95_mm: 0.1,
  ...more,
});
const whole = {
  cylinder: "1",
  edges: [edge("inlet"), edge("exhaust", { earlier: null, later: { shift_deg: null, sure_deg: 9 } })],
  spare_mm: [
    [-0.5, -0.4, -0.3],
    [0.1, 0.2, 0.3],
    [0.4, 0.5, 0.6],
  ],
  not_mapped: [],
};
const left = ["inlet", "exhaust"].map((valve) => ({ valve, code: "not_pushed", message: "long" }));
const map = {
  shifts_deg: SHIFTS,
  one_cam: false,
  cylinders: [whole, { cylinder: "2", edges: [], spare_mm: [], not_mapped: left }],
};

export const tests = {
  "a row a valve, with how far its cam may go for sure"() {
    const rows = valveRows(map, "mm", (_, word) => word);
    equal(
      rows.map((row) => row.length),
      [VALVE_COLUMNS.length, VALVE_COLUMNS.length],
    );
    equal(rows[0].slice(4, 7), ["enough", "4.0°", "10° and more"]);
    equal(room({ shift_deg: 0, sure_deg: 0 }, 10), "not at all");
  },
  "valves that were not pushed are named in one sentence"() {
    equal(missing(map).length, 1);
    equal(missing(map)[0].endsWith("inlet 2, exhaust 2."), true);
  },
  "across is the inlet cam, up the exhaust cam; card and setting are marked"() {
    const { data, layout } = mapFigure(map, whole, LOOK);
    equal(data[0].z[0], [-0.5, 0.1, 0.4]);
    equal(
      data.slice(1).map((one) => [one.x[0], one.y[0], one.text[0]]),
      [
        [0, 0, "as it stands"],
        [-6, -6, "card"],
      ],
    );
    const lines = layout.shapes.filter((one) => one.type === "line").map((one) => [one.x0, one.y0]);
    equal(lines, [
      [-5, 0],
      [-4, 0],
      [0, 9],
    ]);
  },
  "one cam moves both valves along a dotted line"() {
    const { data } = mapFigure({ ...map, one_cam: true }, whole, LOOK);
    equal(data[1].x, [-10, 10]);
    equal(data[1].y, [-10, 10]);
  },
  "with one valve known its gap is drawn against its own cam"() {
    const { data } = mapFigure(map, { ...whole, edges: [edge("inlet")] }, LOOK);
    equal(data[2].y, [2, 3, 4]);
  },
};
