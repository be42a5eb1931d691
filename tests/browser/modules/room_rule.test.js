import { farWords, isInside, roomReach, roomRules } from "/static/room_rule.js";
import { equal, ok } from "./check.js";

const room = { earlier_deg: 6.5, later_deg: 12, earlier_ends: true, later_ends: true };

export const tests = {
  "a move is inside up to the least clearance, either way": () =>
    equal(
      [-6.5, -6.6, 12, 12.1].map((deg) => isInside(room, deg)),
      [true, false, true, false],
    ),
  "a table that ends before the room does says so": () =>
    equal([farWords(6.54, true), farWords(12, false)], ["6.5°", "12° and more"]),
  "the rule is wide enough for room and move": () => {
    ok(roomReach(room, null) >= 12);
    ok(roomReach(room, -20) >= 20);
  },
  "where no room is known nothing is drawn": () =>
    equal(roomRules([{ lobe: {} }], { cams: [] }, 600).length, 0),
  "what is drawn is told in words too": () => {
    const one = {
      lobe: { valve: "inlet", cylinder: "1" },
      room: { ...room, of: "piston", sentence: "6.5 early, 12.0 late." },
    };
    document.body.append(...roomRules([one], { cams: [] }, 600));
    equal(
      document.querySelector("svg[role=img]").getAttribute("aria-label"),
      "inlet 1 to piston. 6.5 early, 12.0 late.",
    );
  },
};
