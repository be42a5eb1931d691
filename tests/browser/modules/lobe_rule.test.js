import { lobeRules } from "/static/lobe_rule.js";
import { equal, ok } from "./check.js";

const verdict = (error) => ({ call: "in", error_deg: error, u95_deg: 0.1, tolerance_deg: 1 });
const cams = [
  {
    measured: [
      { valve: "inlet", cylinder: "1", stage: "as_found", verdict: verdict(-4) },
      { valve: "inlet", cylinder: "1", stage: "torqued", verdict: verdict(0.2) },
    ],
  },
];

export const tests = {
  "before and after differ by shape": () => {
    document.body.append(...lobeRules(cams, 600));
    equal(
      [
        document.querySelectorAll("circle").length,
        document.querySelectorAll('path[fill="var(--accent)"]').length,
      ],
      [1, 1],
    );
  },
  "early lies left of the card and late right of it": () => {
    document.body.append(...lobeRules(cams, 600));
    ok(Number(document.querySelector("circle").getAttribute("cx")) < 300);
  },
  "a rule is told in words to whoever cannot see it": () => {
    document.body.append(...lobeRules(cams, 600));
    equal(document.querySelector("svg").getAttribute("aria-label"), "inlet 1: 0.20° late, torqued");
  },
  "limits too near the card for words of their own stand in one": () => {
    const words = () => [...document.querySelectorAll("svg text")].map((one) => one.textContent);
    document.body.replaceChildren(...lobeRules(cams, 600));
    equal(words(), ["1.0°", "card", "1.0°"]);
    document.body.replaceChildren(...lobeRules(cams, 200));
    equal(words(), ["card ± 1.0°"]);
  },
  "nothing measured is a sentence": () => equal(lobeRules([], 600)[0].tagName, "P"),
};
