/**
 * What this one screen was told to be: units, words, angles, light, sound. Kept in the browser, never sent anywhere.
 */

const KEY = "lobewright.screen";

/** Every choice with its allowed values; the first is what a new screen starts with. */
export const CHOICES = {
  length: ["mm", "inch", "thou"],
  words: ["british", "american"],
  angle: ["atdc", "plain"],
  light: ["auto", "light", "dark"],
  sound: ["off", "on"],
  speech: ["off", "on"],
};

function defaults() {
  return {
    ...Object.fromEntries(Object.entries(CHOICES).map(([name, values]) => [name, values[0]])),
    footKey: "",
  };
}

/** Choices out of stored text; whatever is damaged or unknown falls back to the first value. */
export function parse(text) {
  const chosen = defaults();
  let stored = {};
  try {
    stored = JSON.parse(text ?? "{}") ?? {};
  } catch {
    return chosen;
  }
  for (const [name, values] of Object.entries(CHOICES)) {
    if (values.includes(stored[name])) chosen[name] = stored[name];
  }
  if (typeof stored.footKey === "string" && stored.footKey.length <= 20) chosen.footKey = stored.footKey;
  return chosen;
}

/** The choices of this screen, with `change` events; a second window of the same browser follows at once. */
export class Settings extends EventTarget {
  constructor(storage = window.localStorage) {
    super();
    this.storage = storage;
    this.chosen = parse(this.#read());
    window.addEventListener("storage", (event) => {
      if (event.key === KEY) this.#take(parse(event.newValue));
    });
  }

  #read() {
    try {
      return this.storage.getItem(KEY);
    } catch {
      return null; // a browser may forbid storage; the screen then forgets, and still works
    }
  }

  #take(chosen) {
    this.chosen = chosen;
    this.dispatchEvent(new Event("change"));
  }

  set(name, value) {
    const next = parse(JSON.stringify({ ...this.chosen, [name]: value }));
    try {
      this.storage.setItem(KEY, JSON.stringify(next));
    } catch {
      // as above
    }
    this.#take(next);
  }
}
