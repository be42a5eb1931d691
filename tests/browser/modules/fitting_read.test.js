import { el } from "/static/dom.js";
import { limitOfReadings, startReading } from "/static/fitting_read.js";
import { readingLimit } from "/static/fitting_view.js";
import { equal } from "./check.js";

const field = (id) => el("input", { id });

export const tests = {
  async "a crown before its face is refused in a sentence, and nothing is asked of the bench"() {
    const crown = el("button", { "data-place": "first" });
    const told = el("div", { id: "deck-read-told" });
    const ids = ["face_mm", "deck-cylinder", "deck-gauge", "crowns", "mark-read"];
    document.body.append(crown, told, ...ids.map(field));
    startReading((words) => words);
    crown.click();
    await new Promise((done) => setTimeout(done));
    equal(told.textContent, "Read the face beside the bore first.");
    equal(document.getElementById("crowns").value, "");
  },
  "before a crown was read the usual limit of a gauge holds"() {
    equal(limitOfReadings(), readingLimit([]));
  },
};
