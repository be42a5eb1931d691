import { benchEntry, benchName, foundFrom, heardWords, withFound } from "/static/setup_view.js";
import { equal, throws } from "./check.js";

const port = { baud: 9600, framing: "8N1" };
const encoder = { name: "/dev/a", quantity: "crank", frame: "count", first: 900, last: 100, ...port };
const gauge = { name: "/dev/b", quantity: "gauge", frame: "decimal", first: 0, last: 5.2, ...port };

export const tests = {
  "an encoder whose count fell while it was turned forward counts the other way": () =>
    equal(foundFrom(encoder, []).direction, -1),
  "gauges are numbered until they are named": () =>
    equal(
      withFound(withFound([], gauge), { ...gauge, name: "/dev/c" }).map((one) => one.name),
      ["gauge_1", "gauge_2"],
    ),
  "a port found again keeps its name": () => {
    const known = withFound([], gauge);
    known[0].name = "dial a";
    equal(
      withFound(known, gauge).map((one) => one.name),
      ["dial a"],
    );
  },
  "there is one encoder": () =>
    equal(
      withFound(withFound([], encoder), { ...encoder, name: "/dev/c" }).map((one) => one.port),
      ["/dev/c"],
    ),
  "a name is written as a bench file takes it": () =>
    equal([benchName(" Dial B "), benchName("№ 3 (left)")], ["dial_b", "3_left"]),
  "counts a turn have to be said": () => throws(() => benchEntry(withFound([], encoder)), "how many counts"),
  "what is sent is the bench file's own keys": () => {
    const known = withFound(withFound([], encoder), gauge);
    known[0].counts_per_turn = "3600";
    equal(benchEntry(known), {
      crank: {
        port: "/dev/a",
        ...port,
        frame: "count",
        counts_per_turn: 3600,
        crank_teeth: 1,
        shaft_teeth: 1,
        direction: -1,
      },
      gauges: [{ port: "/dev/b", ...port, frame: "decimal", name: "gauge_1", unit: "mm", sign: 1 }],
    });
  },
  "what a port said is told, or why it said nothing": () =>
    equal(
      [
        heardWords(gauge),
        heardWords({ frame: "", sentence: "silent" }),
        heardWords({ frame: "count", first: null }),
      ],
      ["0 → 5.2", "silent", "nothing in this time"],
    ),
};
