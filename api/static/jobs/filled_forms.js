/**
 * From what is kept of an engine or a card back to what is typed, and what of it was changed. Pure.
 */

const HALVES = ["inlet", "exhaust"];

const words = (value) => (value === null || value === undefined ? "" : String(value));

function flat(prefix, fields) {
  return Object.fromEntries(
    Object.entries(fields ?? {}).map(([name, value]) => [
      `${prefix}.${name}`,
      Array.isArray(value) ? value.join(" ") : words(value),
    ]),
  );
}

/** Texts of the card's form. */
export function cardTexts(card) {
  return {
    ...Object.fromEntries(Object.entries(card).map(([name, value]) => [name, words(value)])),
    unit: "mm",
    ...flat("inlet", card.inlet),
    ...flat("exhaust", card.exhaust),
  };
}

function layoutOf(cams) {
  const kind = cams.some((cam) => cam.valves.length > 1) ? "single cam" : "twin cam";
  return cams.length > (kind === "single cam" ? 1 : 2) ? `${kind} a bank` : kind;
}

/** Texts of the engine's form; a tick is `true` or `false`. */
export function engineTexts(engine) {
  const [first] = engine.cams;
  const exhaust = engine.cams.find((cam) => cam.valves.length === 1 && cam.valves[0] === "exhaust");
  const other = exhaust && JSON.stringify(exhaust.adjuster) !== JSON.stringify(first.adjuster);
  const offset = engine.pin_offset_mm;
  const side = offset < 0 ? "other" : "thrust";
  return {
    ...Object.fromEntries(
      Object.entries(engine).map(([name, value]) => [
        name,
        typeof value === "boolean" ? value : Array.isArray(value) ? value.join(" ") : words(value),
      ]),
    ),
    firing_order: engine.firing_order.join("-"),
    layout: layoutOf(engine.cams),
    pin_offset_mm: words(offset === null ? null : Math.abs(offset)),
    pin_side: offset && engine.pin_side_known ? side : "",
    cam_turns: first.turns_with_crank === false ? "against" : "with",
    crown: engine.crown === "unknown" ? "" : engine.crown,
    ...flat("adjuster", first.adjuster),
    "exhaust_adjuster.kind": "",
    ...(other ? flat("exhaust_adjuster", exhaust.adjuster) : {}),
  };
}

/** Put texts into a form as it is when nothing was typed, and let its own rules show what belongs to them. */
export function fillForm(form, texts) {
  form.reset();
  for (const field of form.querySelectorAll("[name]")) {
    if (field.name === "confirmed") continue;
    const value = texts[field.name];
    if (field.type === "checkbox") field.checked = value === true;
    else if (value !== undefined) field.value = value;
  }
  for (const field of form.querySelectorAll("select")) field.dispatchEvent(new Event("change"));
}

const isObject = (value) => value !== null && typeof value === "object" && !Array.isArray(value);

/**
 * What was kept, with what was changed in the form: `before` is what the form gave untouched, `now` what it gives.
 * What a form does not ask for stays as it was.
 */
export function changedIn(kept, before, now) {
  const result = { ...kept };
  for (const name of new Set([...Object.keys(before), ...Object.keys(now)])) {
    if (JSON.stringify(before[name]) === JSON.stringify(now[name])) continue;
    if (now[name] === undefined) delete result[name];
    else if (HALVES.includes(name) && isObject(kept[name]) && isObject(before[name]))
      result[name] = changedIn(kept[name], before[name], now[name]);
    else result[name] = now[name];
  }
  return result;
}
