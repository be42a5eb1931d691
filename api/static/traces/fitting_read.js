/**
 * What the fitting page reads at the bench into its forms: face and crowns by the gauge, the crank at a mark.
 */

import { post } from "./ask.js";
import { byId, el, note } from "./dom.js";
import { faceMoved, markRead, nextOfDeck, readingLimit, typed, withReading } from "./fitting_view.js";
import { digits } from "./units.js";
import { whatOf } from "./words.js";

const FITTING = "/api/fitting";
const gaugeOfDeck = () => (byId("deck-gauge").value ? { gauge: byId("deck-gauge").value } : {});
const typedNumber = (text) => (text.trim() ? typed(text).value : null);
const readU95 = { face: 0, first: [], second: [] };

/** The limit of error of all crowns that were read here. */
export const limitOfReadings = () => readingLimit([...readU95.first, ...readU95.second]);

async function readFace() {
  const before = typedNumber(byId("face_mm").value);
  const { face_mm } = await post(`${FITTING}/deck/face`, gaugeOfDeck());
  readU95.face = face_mm.u95;
  byId("face_mm").value = face_mm.value.toFixed(3);
  return [
    [faceMoved(before, face_mm.value)],
    `The face is read: ${digits(face_mm.value, 3)} mm. ${nextOfDeck("face")}`,
  ];
}

async function readCrown(place) {
  const face = typedNumber(byId("face_mm").value);
  const cylinder = byId("deck-cylinder").value.trim();
  if (face === null) throw new Error("Read the face beside the bore first.");
  if (!/^\w+$/.test(cylinder)) throw new Error("Say which cylinder, such as 1.");
  const body = { ...gaugeOfDeck(), face_mm: face, face_u95_mm: readU95.face };
  const { below_mm, warnings } = await post(`${FITTING}/deck/crown`, body);
  readU95[place].push(below_mm.u95);
  byId("crowns").value = withReading(byId("crowns").value, cylinder, place, below_mm.value);
  const lies = below_mm.value < 0 ? "proud of" : "below";
  const height = `${digits(Math.abs(below_mm.value), 3)} ± ${digits(below_mm.u95, 3)} mm ${lies} the face`;
  return [warnings, `Cylinder ${cylinder}, ${place} place: ${height} at TDC. ${nextOfDeck(place)}`];
}

async function readMark() {
  const found = await post(`${FITTING}/mark/read`);
  for (const [name, text] of Object.entries(markRead(found))) byId(name).value = text;
  return [
    [],
    `The crank is read, and ${whatOf(found.tdc_of)}. Type the diameter at the mark, then tell the mark.`,
  ];
}

/** A button whose reading is said, with what comes next, in a box of its own. */
function reads(button, box, read, spoken) {
  button.addEventListener("click", async () => {
    try {
      const [minds, words] = await read();
      const notes = minds.filter(Boolean).map((one) => note("mind", spoken(one)));
      byId(box).replaceChildren(...notes, el("p", {}, spoken(words)));
    } catch (problem) {
      byId(box).replaceChildren(note("stop", spoken(problem.message)));
    }
  });
}

/** Bring the buttons that read at the bench to life. */
export function startReading(spoken) {
  for (const button of document.querySelectorAll("[data-place]")) {
    const { place } = button.dataset;
    reads(button, "deck-read-told", () => (place === "face" ? readFace() : readCrown(place)), spoken);
  }
  reads(byId("mark-read"), "mark-read-told", readMark, spoken);
}
