/**
 * Sheets that fold on a phone: their headings become buttons, and what is not asked for takes no room.
 */

import { el } from "./dom.js";

export const NARROW = "(max-width: 47.99rem)";

function fold(sheet, heading, folded) {
  sheet.dataset.folded = folded ? "yes" : "no";
  const button = el("button", { type: "button", class: "fold", "aria-expanded": String(!folded) });
  button.addEventListener("click", () => {
    const open = sheet.dataset.folded === "yes";
    sheet.dataset.folded = open ? "no" : "yes";
    button.setAttribute("aria-expanded", String(open));
  });
  button.append(...heading.childNodes);
  heading.append(button);
}

function unfold(sheet, heading) {
  delete sheet.dataset.folded;
  const button = heading.querySelector(".fold");
  if (button) button.replaceWith(...button.childNodes);
}

/** Let the sheets of `root` fold while `narrow` matches; those that match `open` never do. */
export function foldSheets(root, open, narrow = window.matchMedia(NARROW)) {
  const sheets = [...root.querySelectorAll(".sheet")].filter((sheet) => !sheet.matches(open));
  const apply = () => {
    for (const sheet of sheets) {
      const heading = sheet.querySelector("h2");
      if (!heading) continue;
      unfold(sheet, heading);
      if (narrow.matches) fold(sheet, heading, true);
    }
  };
  narrow.addEventListener("change", apply);
  apply();
}
