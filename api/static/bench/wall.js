/**
 * The wall: the bench's number and sentence, to be read from five metres. Nothing here can be pressed.
 */

import { staleness, stepWords, theNumber, theSentence } from "./bench_view.js";
import { pageCue } from "./cue.js";
import { byId, put, show } from "./dom.js";
import { LiveCurve, viewOfCurve } from "./live_curve.js";
import { NumberBox, stayAwake } from "./paint.js";
import { isDark, startScreen } from "./screen.js";
import { followZero } from "./zero.js";

const { settings, link, bench, spoken } = startScreen();
const number = new NumberBox(byId("figure"));
const cue = pageCue();
const curve = new LiveCurve(byId("curve"), 1.8);
let frame = 0;

function paint() {
  frame = 0;
  const { now } = bench;
  const stale = staleness(link.state, link.ageMs(), now);
  const { guide } = now;
  put(byId("job"), [guide?.job, guide?.customer].filter(Boolean).join(", "));
  put(byId("place"), stepWords(guide));
  put(byId("step"), spoken(guide?.step ?? ""));
  const headline = stale ? "" : (guide?.headline ?? "");
  put(byId("headline"), spoken(headline));
  show(byId("headline"), Boolean(headline));
  byId("main").dataset.call = stale ? "" : (guide?.call ?? "");
  put(byId("sentence"), spoken(theSentence(now, link.state)));
  number.paint(theNumber(now, settings.chosen, false), stale, spoken, guide?.card ?? "");
  cue.draw(stale ? null : now.guide, settings.chosen);
  curve.draw(viewOfCurve(now, settings.chosen, isDark()));
}

function repaint() {
  if (!frame) frame = requestAnimationFrame(paint);
}

stayAwake();
followZero(bench, repaint);
bench.addEventListener("change", repaint);
bench.addEventListener("tick", () => link.state !== "live" && repaint());
settings.addEventListener("change", repaint);
repaint();
