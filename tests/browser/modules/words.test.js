import { plainName, reword, say, whatOf, withoutName } from "/static/words.js";
import { equal } from "./check.js";

export const tests = {
  "British is said as it is": () => equal(say("inlet valve clearance", "british"), "inlet valve clearance"),
  "American says intake and lash": () =>
    equal(
      say("Inlet valve clearance, centre of the follower", "american"),
      "Intake valve lash, center of the lifter",
    ),
  "degrees are written as a drawing writes them": () => {
    equal(say("Make it 3.4 deg earlier (1.7 cam deg)."), "Make it 3.4° earlier (1.7 cam degrees).");
    equal(say("The degree wheel and 2 degrees stay."), "The degree wheel and 2 degrees stay.");
  },
  "the longest term is exchanged first": () =>
    equal(say("vernier pulleys and a timing disc", "american"), "adjustable cam gears and a degree wheel"),
  "instruments of the bench are called by their plain names": () =>
    equal(
      say("Gauge dial_a on piston 1; dial_ab is another", "british", ["crank", "dial_a"]),
      "Gauge dial a on piston 1; dial_ab is another",
    ),
  "what is said of an instrument loses the name that stands above it": () =>
    equal(
      [withoutName("dial_a: readings come in", "dial_a"), withoutName("Quiet.", "dial_a")],
      ["Readings come in", "Quiet."],
    ),
  "words inside words are left alone": () =>
    equal(say("inletting, epicentre", "american"), "inletting, epicentre"),
  "names lose their underscores": () => equal([plainName("dial_a"), plainName(null)], ["dial a", ""]),
  "a target is named as a builder would": () =>
    equal(["piston_1", "inlet_2", "exhaust_b3", "crank"].map(whatOf), [
      "True TDC, piston 1",
      "Inlet lobe 2",
      "Exhaust lobe b3",
      "crank",
    ]),
  "a page is reworded and back again": () => {
    document.body.innerHTML = "<p>the inlet <b>centre</b></p><p data-live>inlet</p><code>inlet</code>";
    reword(document.body, "american");
    equal(document.body.textContent, "the intake centerinletinlet");
    reword(document.body, "british");
    equal(document.body.textContent, "the inlet centreinletinlet");
  },
  "text that changed since is not turned back to what it was": () => {
    document.body.innerHTML = "<p>inlet</p>";
    reword(document.body, "american");
    document.querySelector("p").firstChild.nodeValue = "exhaust";
    reword(document.body, "british");
    equal(document.body.textContent, "exhaust");
  },
};
