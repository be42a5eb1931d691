import { addressOf, isElsewhere, measurementPath } from "/static/root.js";
import { equal } from "./check.js";

export const tests = {
  "at the bench every address is as it is": () =>
    equal(
      ["/jobs/3", "/api/jobs?words=a"].map((path) => addressOf(path, "")),
      ["/jobs/3", "/api/jobs?words=a"],
    ),
  "in a shop a bench's own addresses begin with the bench": () =>
    equal(
      ["/", "/jobs/3", "/api/jobs?words=a"].map((path) => addressOf(path, "/of/east")),
      ["/of/east/", "/of/east/jobs/3", "/of/east/api/jobs?words=a"],
    ),
  "what all share, another bench's and what is not ours stay": () => {
    const others = [
      "/static/plotly.min.js",
      "/pair",
      "/api/shop/traces",
      "/of/west/jobs",
      "//x/y",
      "http://a/b",
    ];
    equal(
      others.map((path) => addressOf(path, "/of/east")),
      others,
    );
  },
  "a page whose name begins as a shared one's is still the bench's": () =>
    equal(addressOf("/pairs", "/of/east"), "/of/east/pairs"),
  "a measurement is named alone or with its bench": () => {
    equal([12, "12", "west:12"].map(measurementPath), [
      "/api/measurements/12",
      "/api/measurements/12",
      "/of/west/api/measurements/12",
    ]);
    equal([12, "12", "west:12", "west:", "W:1", "a:0", "../x:1"].map(isElsewhere), [
      false,
      false,
      true,
      false,
      false,
      false,
      false,
    ]);
  },
};
