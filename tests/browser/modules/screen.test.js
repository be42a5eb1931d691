import { benchState, isDark, tell } from "/static/screen.js";
import { EMPTY } from "/static/bench_state.js";
import { equal, ok } from "./check.js";

const online = (name, state = "online") => ({ name, state });

export const tests = {
  "a lost link is told with its age": () =>
    equal(benchState("lost", 4200, EMPTY), { state: "lost", kind: "stop", word: "Link lost, 4.2 s old" }),
  "a link that never was says so": () =>
    equal(benchState("lost", Infinity, EMPTY).word, "No link to the bench"),
  "a bench without capture has stopped": () => equal(benchState("live", 10, EMPTY).word, "Bench stopped"),
  "one silent instrument is named, several are counted": () => {
    equal(
      benchState("live", 10, { captureAlive: true, channels: [online("crank"), online("dial_a", "silent")] })
        .word,
      "dial a silent",
    );
    equal(
      benchState("live", 10, {
        captureAlive: true,
        channels: [online("crank", "silent"), online("dial_a", "silent")],
      }).word,
      "2 silent",
    );
  },
  "all well is told too": () =>
    equal(benchState("live", 10, { captureAlive: true, channels: [online("crank")] }).kind, "live"),
  "a shop without instruments is told as that": () =>
    equal(benchState("live", 10, { captureAlive: true, channels: [] }).word, "No instruments"),
  "connecting is neither live nor lost": () => equal(benchState("connecting", Infinity, EMPTY).kind, "quiet"),
  "a screen's own choice of light goes before the device's": () => {
    document.documentElement.dataset.light = "dark";
    ok(isDark());
    document.documentElement.dataset.light = "light";
    ok(!isDark());
    delete document.documentElement.dataset.light;
  },
  "something is said politely": () => {
    document.body.innerHTML = '<div id="said" aria-live="polite"></div>';
    tell("Link lost.");
    equal(document.body.textContent, "Link lost.");
  },
};
