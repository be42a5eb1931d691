import { healthRows, lagsFrom, specRows } from "/static/instruments_view.js";
import { equal } from "./check.js";

const tdc = (id, gauge, at, lag) => ({
  id,
  what: "tdc",
  state: "finished",
  gauge,
  started_at: at,
  result: { lag_s: lag },
});

export const tests = {
  "the newest lag of each gauge counts": () => {
    const lags = lagsFrom([
      tdc(1, "dial_a", "2025-11-24", 0.05),
      tdc(2, "dial_a", "2025-11-25", 0.06),
      tdc(3, "dial_b", "2025-11-20", 0.03),
    ]);
    equal([lags.dial_a.lagS, lags.dial_b.lagS], [0.06, 0.03]);
  },
  "refused and lobes say nothing of a lag": () =>
    equal(
      lagsFrom([
        { ...tdc(1, "a", "x", 0.1), state: "refused" },
        { ...tdc(2, "a", "x", 0.1), what: "lobe" },
      ]),
      {},
    ),
  "what a bench file says is told in words": () =>
    equal(
      [
        specRows({
          quantity: "crank",
          baud: 9600,
          direction: -1,
          sign: 1,
          unit: "deg",
          counts_per_turn: 3600,
        }),
        specRows({ quantity: "gauge", sign: 1, counts_per_turn: 0, request: "?\r" }),
      ],
      [
        [
          ["Baud", "9600"],
          ["Counts a turn", "3600"],
          ["Counts", "against the running direction"],
        ],
        [
          ["Sign", "as sent"],
          ["Asked with", "?\\r"],
        ],
      ],
    ),
  "a limit that nobody stated is told as supposed": () =>
    equal(
      [
        specRows({ quantity: "crank", supposed: { error_deg: 0.1 } }),
        specRows({ quantity: "crank", error_deg: 0.05 }),
      ],
      [
        [["Limit of error", "0.1° over its turn, supposed: the bench file states none"]],
        [["Limit of error", "0.05° over its turn"]],
      ],
    ),
  "an instrument never heard says never": () =>
    equal(healthRows({ rate_hz: 0, accepted: 0, rejected: 0, age_s: null })[3], ["Last one", "never"]),
};
