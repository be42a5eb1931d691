import { foldSheets } from "/static/fold.js";
import { equal } from "./check.js";

const PAGE = `<section class="sheet now"><h2>Now</h2></section>
  <section class="sheet rest"><div class="sheet-head"><h2>Steps</h2></div><p>one</p></section>`;

function media(matches) {
  const made = new EventTarget();
  made.matches = matches;
  return made;
}

export const tests = {
  "on a phone all but what is due is folded, and opens by its heading": () => {
    document.body.innerHTML = PAGE;
    foldSheets(document.body, ".now", media(true));
    const rest = document.querySelector(".rest");
    equal([document.querySelector(".now button"), rest.dataset.folded], [null, "yes"]);
    const button = rest.querySelector("h2 button");
    equal([button.textContent, button.getAttribute("aria-expanded")], ["Steps", "false"]);
    button.click();
    equal([rest.dataset.folded, button.getAttribute("aria-expanded")], ["no", "true"]);
  },
  "turned on its side the page is whole again, its headings plain": () => {
    document.body.innerHTML = PAGE;
    const narrow = media(true);
    foldSheets(document.body, ".now", narrow);
    narrow.matches = false;
    narrow.dispatchEvent(new Event("change"));
    const rest = document.querySelector(".rest");
    equal(
      [rest.dataset.folded, rest.querySelector("button"), rest.querySelector("h2").textContent],
      [undefined, null, "Steps"],
    );
  },
};
