import { questionOf, thingsOnFile } from "/static/on_file.js";
import { equal, ok } from "./check.js";

const DIFFERS = [{ what: "inlet lift", here: "9.6 mm", there: "9.2 mm" }];
const OURS = { version: "a", from_bench: "", by: "Ida", at: "2026-11-29T08:00:00+00:00", differs: [] };
const THEIRS = { ...OURS, version: "b", from_bench: "west", differs: DIFFERS };
const CARD = { ...OURS, id: 3, name: "Whinfell <b>262</b>", asked: [] };

function item(kept, change = () => {}) {
  return thingsOnFile("/api/cards", {
    about: ({ name }) => ({ name, told: "lift 9.6 mm" }),
    change,
    changed: () => {},
    who: () => "Ida",
    spoken: (words) => words,
  })(kept);
}

const buttons = (node) => [...node.querySelectorAll("button")].map((one) => one.textContent);

export const tests = {
  "a question says what the other bench has, and what stands here"() {
    equal(
      questionOf(THEIRS),
      "The bench west has other values: inlet lift 9.2 mm, here 9.6 mm. Which is right?",
    );
  },
  "what nobody disputes says who made it where, and asks nothing"() {
    const node = item({ ...CARD, from_bench: "west" });
    ok(node.textContent.includes("Ida, bench west, "));
    equal(buttons(node), ["Change it", "Put it away"]);
    equal(node.querySelector("b"), null);
  },
  "two versions are asked about, with a button for each"() {
    const node = item({ ...CARD, asked: [OURS, THEIRS] });
    equal(buttons(node), ["What stands here", "What west has", "Change it", "Put it away"]);
  },
  "changing opens the form of what is on file"() {
    let opened = null;
    const node = item(CARD, (kept) => {
      opened = kept.id;
    });
    [...node.querySelectorAll("button")].find((one) => one.textContent === "Change it").click();
    equal(opened, 3);
  },
};
