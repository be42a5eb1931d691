import { Sound, pipInterval, spoken, toneDue } from "/static/sound.js";
import { equal, ok } from "./check.js";

export const tests = {
  "pips come closer as the number comes nearer": () => {
    const waits = [100, 30, 5, 0.5, 0].map(pipInterval);
    ok(
      waits.every((wait, at) => at === 0 || wait <= waits[at - 1]),
      waits.join(),
    );
    ok(waits[0] <= 1.2 && waits[4] >= 0.1);
  },
  "an unknown distance still sounds": () => equal(pipInterval(NaN), 1.2),
  "on the number sounds once": () => {
    equal(toneDue({ tone: "approach" }, { tone: "on_the_number" }, 0), "on_the_number");
    equal(toneDue({ tone: "on_the_number" }, { tone: "on_the_number" }, 60), "");
  },
  "approach repeats, by its distance": () => {
    const approach = { tone: "approach", away: 0 };
    equal([toneDue(approach, approach, 0.05), toneDue(approach, approach, 0.5)], ["", "approach"]);
  },
  "no tone is silence": () => equal(toneDue({ tone: "fault" }, { tone: "" }, 9), ""),
  "numbers are spoken without losing a sign": () =>
    equal(
      spoken("−1.2° ± 0.04°, 108° ATDC"),
      "minus 1.2 degrees plus or minus 0.04 degrees, 108 degrees after top dead centre",
    ),
  "off until asked: nothing is made that could sound": () => {
    const sound = new Sound({ chosen: { sound: "off", speech: "off" } });
    sound.wake();
    sound.follow("fault", 0, 1);
    equal(sound.context, null);
  },
  "asked for, tones can be played": async () => {
    const sound = new Sound({ chosen: { sound: "on", speech: "off" } });
    sound.wake();
    for (const tone of ["approach", "on_the_number", "overshot", "fault"]) sound.play(tone);
    ok(sound.context instanceof AudioContext);
    await sound.context.close();
  },
};
