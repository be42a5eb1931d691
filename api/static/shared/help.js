/** The help page: the signs, drawn by the same code that draws them at the bench. */

import { byId, el, sign } from "./dom.js";
import { startScreen } from "./screen.js";

const MEANINGS = {
  live: "reading: it arrives and is kept",
  quiet: "waiting: nothing expected yet",
  stop: "stopped, lost or refused: what is shown is old",
  mind: "warning: it is said beside it what to do",
  there: "on the number",
  do: "turn on, the way it runs",
  back: "back, well past, then on again",
};

startScreen();
byId("signs").append(
  ...Object.entries(MEANINGS).map(([kind, words]) =>
    el("div", { class: "sign-row" }, sign(kind), el("span", {}, words)),
  ),
);
