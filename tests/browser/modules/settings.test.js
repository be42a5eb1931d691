import { CHOICES, Settings, parse } from "/static/settings.js";
import { equal } from "./check.js";

function store(text = null) {
  const kept = { text };
  return {
    kept,
    getItem: () => kept.text,
    setItem: (_, value) => {
      kept.text = value;
    },
  };
}

export const tests = {
  "a new screen is metric, British, silent": () => {
    const { length, words, sound, speech } = parse(null);
    equal([length, words, sound, speech], ["mm", "british", "off", "off"]);
  },
  "damaged storage is survived": () => equal(parse("{nonsense").length, "mm"),
  "unknown values fall back": () =>
    equal(parse('{"length":"furlong","words":"american"}'), { ...parse(null), words: "american" }),
  "a null in the storage is survived": () => equal(parse("null"), parse(null)),
  "a choice is remembered by the next page": () => {
    const storage = store();
    new Settings(storage).set("length", "thou");
    equal(new Settings(storage).chosen.length, "thou");
  },
  "a choice that is none is not taken": () => {
    const settings = new Settings(store());
    settings.set("length", "ell");
    equal(settings.chosen.length, CHOICES.length[0]);
  },
  "a change is told": () => {
    let told = 0;
    const settings = new Settings(store());
    settings.addEventListener("change", () => {
      told += 1;
    });
    settings.set("light", "dark");
    equal(told, 1);
  },
  "a browser that forbids storage still works": () => {
    const forbidding = {
      getItem: () => {
        throw new Error("no");
      },
      setItem: () => {
        throw new Error("no");
      },
    };
    const settings = new Settings(forbidding);
    settings.set("length", "inch");
    equal(settings.chosen.length, "inch");
  },
  "an over-long foot key is not taken": () =>
    equal(parse(JSON.stringify({ footKey: "x".repeat(21) })).footKey, ""),
};
