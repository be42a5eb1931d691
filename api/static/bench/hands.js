/**
 * One large button for greasy hands: a press, the space bar, or a foot switch that types a key.
 */

/** A second press within this time is the same foot, trembling. */
const AGAIN_MS = 500;

const OWN_KEYS = new Set(["BUTTON", "A", "SELECT", "TEXTAREA", "SUMMARY"]);

/** Does what is focused want the space bar for itself? */
export function wantsSpace(target) {
  if (!target?.tagName) return false;
  return OWN_KEYS.has(target.tagName) || target.tagName === "INPUT" || target.isContentEditable === true;
}

/** Does a key press the large button? Pure but for reading the event. */
export function pressesButton(event, footKey) {
  if (event.repeat || event.ctrlKey || event.altKey || event.metaKey) return false;
  if (footKey && event.key === footKey) return !isTyping(event.target);
  return event.key === " " && !wantsSpace(event.target);
}

/** A foot switch must not fire while somebody types its letter into a field. */
function isTyping(target) {
  if (target?.tagName === "TEXTAREA") return true;
  return (
    target?.tagName === "INPUT" && ["text", "search", "number", "date", "password"].includes(target.type)
  );
}

/** Call `action` whenever the large button is pressed, by whatever. */
export function onLargeButton(button, settings, action) {
  let last = -Infinity;
  const press = () => {
    const now = performance.now();
    if (button.getAttribute("aria-disabled") === "true" || now - last < AGAIN_MS) return;
    last = now;
    action();
  };
  button.addEventListener("click", press);
  window.addEventListener("keydown", (event) => {
    if (event.repeat && event.target.tagName === "BUTTON") event.preventDefault(); // a held key presses once
    if (document.querySelector("dialog[open]") || !pressesButton(event, settings.chosen.footKey)) return;
    event.preventDefault();
    press();
  });
}
