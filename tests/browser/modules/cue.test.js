import { Cue, SCALES, readCue, share } from "/static/cue.js";
import { equal, ok } from "./check.js";

const guide = (more) => ({ to_go_deg: null, to_go_mm: null, tone: "", ...more });

export const tests = {
  "without a way to go there is no cue": () => equal([readCue(guide({})), readCue(null)], [null, null]),
  "turning on is to the right, from the left": () => {
    const cue = readCue(guide({ to_go_deg: 18.4, tone: "approach" }));
    equal([cue.way, cue.words], ["on", "Turn on 18.4°"]);
    ok(cue.place < 0);
  },
  "past the number it points back": () => {
    const cue = readCue(guide({ to_go_deg: -2, tone: "overshot" }));
    equal([cue.way, cue.words], ["back", "Back 2.0°"]);
    ok(cue.place > 0);
  },
  "on the number there is a word and no arrow": () =>
    equal(
      [readCue(guide({ to_go_deg: 0.02 })).words, readCue(guide({ to_go_deg: 0.02 })).heads],
      ["On the number", 0],
    ),
  "the bench says when it is on the number, not the screen": () =>
    equal(readCue(guide({ to_go_deg: 0.02, tone: "approach" })).way, "on"),
  "a cam says which way it turns and how far, without a sign": () => {
    const move = { turn: "clockwise", to_go_deg: 3.44, to_go_cam_deg: 1.72, too_far: false };
    const cue = readCue(guide({ move, to_go_mm: -0.4, tone: "approach" }));
    equal([cue.words, cue.turn, cue.way], ["Clockwise, 3.4° to go", "clockwise", "on"]);
    ok(cue.place < 0, "it is not there yet");
  },
  "a cam is too far only once it crossed the number, and is turned back": () => {
    const move = { turn: "anticlockwise", to_go_deg: 0.3, to_go_cam_deg: 0.15, too_far: true };
    const cue = readCue(guide({ move, to_go_mm: 0.03, tone: "overshot" }));
    equal(cue.words, "Too far: anticlockwise, 0.3° back");
    ok(cue.place > 0);
    equal(readCue(guide({ move, tone: "on_the_number" })).words, "On the number");
  },
  "the round arrow is drawn the way the cam turns, and is gone on the number": () => {
    document.body.innerHTML = '<div id="box" style="width: 600px"></div>';
    const cue = new Cue(document.getElementById("box"));
    const move = { turn: "anticlockwise", to_go_deg: 2, to_go_cam_deg: 1, too_far: false };
    cue.draw(guide({ move, tone: "approach" }), {});
    equal([cue.turn.dataset.turn, cue.turn.hasAttribute("hidden")], ["anticlockwise", false]);
    cue.draw(guide({ move, tone: "on_the_number" }), {});
    equal(cue.turn.hasAttribute("hidden"), true);
  },
  "more arrowheads mean farther": () => {
    const heads = [0.3, 3, 30, 170].map((deg) => readCue(guide({ to_go_deg: deg, tone: "approach" })).heads);
    ok(heads.every((count, at) => at === 0 || count >= heads[at - 1]) && heads[3] > heads[0], heads.join());
  },
  "nearer is always shorter, and finer near the number": () => {
    const shares = [0, 0.1, 1, 10, 100, 180].map((deg) => share(deg, SCALES.deg));
    ok(shares.every((value, at) => at === 0 || value > shares[at - 1]));
    ok(
      shares[2] - shares[0] > shares[5] - shares[4],
      "a degree near the number shows more than eighty far away",
    );
    equal(share(9999, SCALES.deg), 1);
  },
  "millimetres to go are told in this screen's unit": () =>
    equal(
      readCue(guide({ to_go_mm: 0.254 }), { length: "thou" }).words.replace(/\s/g, " "),
      "10.0 thou to go",
    ),
  "the drawing's arrow ends at the number and shrinks with the way": () => {
    document.body.innerHTML = '<div id="box" style="width: 600px"></div>';
    const cue = new Cue(document.getElementById("box"));
    const lengthAt = (deg) => {
      cue.draw(guide({ to_go_deg: deg, tone: "approach" }), {});
      const x = Number(cue.bar.getAttribute("x"));
      const width = Number(cue.bar.getAttribute("width"));
      ok(Math.abs(x + width - 300) < 0.2, "it ends in the middle");
      return width;
    };
    const widths = [90, 20, 2, 0.5].map(lengthAt);
    ok(
      widths.every((width, at) => at === 0 || width < widths[at - 1]),
      widths.join(),
    );
  },
  "the cue is hidden when there is no way to go": () => {
    document.body.innerHTML = '<div id="box"></div>';
    const box = document.getElementById("box");
    new Cue(box).draw(guide({}), {});
    equal(box.hidden, true);
  },
};
