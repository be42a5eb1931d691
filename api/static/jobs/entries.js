/**
 * From what is typed into the forms to what the server is sent. Pure.
 *
 * What is left empty is not sent. A plain number goes as a number; anything else goes as it was typed ("9.65 mm",
 * "108 ATDC"), for the server reads units and says what is wrong with them.
 */

/** A typed value, or `undefined` for nothing. */
export function typed(text) {
  const value = (text ?? "").trim();
  if (!value) return undefined;
  const plain = Number(value.replace(",", "."));
  return Number.isFinite(plain) ? plain : value;
}

/** "1-3-4-2", "1, 3, 4, 2" or "A1 B1" as a list of names. */
export function names(text) {
  return (text ?? "").split(/[\s,;–-]+/).filter(Boolean);
}

function filled(fields) {
  return Object.fromEntries(
    Object.entries(fields).filter(
      ([, value]) => value !== undefined && value !== "" && !(Array.isArray(value) && !value.length),
    ),
  );
}

const CRANK = [
  "inlet_valves",
  "exhaust_valves",
  "stroke_mm",
  "rod_mm",
  "crank_offset_mm",
  "slack_limit_deg",
  "inlet_to_piston_mm",
  "exhaust_to_piston_mm",
  "valve_to_valve_mm",
  "inlet_valve_angle_deg",
  "exhaust_valve_angle_deg",
  "inlet_head_mm",
  "exhaust_head_mm",
  "heads_apart_mm",
];
const ADJUSTER = [
  "bolt_circle_radius_mm",
  "slot_each_way_cam_deg",
  "hole_cam_deg",
  "fitted_deg",
  "gear_teeth",
];
const HALF = [
  "full_lift_deg",
  "drop_mm",
  "opens_deg",
  "closes_deg",
  "check_lift_mm",
  "lift_mm",
  "lift_at_tdc_mm",
  "checking_clearance_mm",
  "running_clearance_mm",
  "rocker_ratio",
];

/** Cylinder names in the order a builder counts them, out of a firing order. */
export function inOrder(firing) {
  return [...firing].sort((a, b) => a.localeCompare(b, "en", { numeric: true }));
}

function adjusterOf(form, of = "adjuster") {
  const kind = form[`${of}.kind`] || "none";
  const numbers = Object.fromEntries(ADJUSTER.map((name) => [name, typed(form[`${of}.${name}`])]));
  const sizes = names((form[`${of}.sizes_deg`] ?? "").replaceAll("-", " ")).map(Number);
  return filled({
    kind,
    ...numbers,
    sizes_deg: sizes,
    sizes_act_on: form[`${of}.sizes_act_on`],
  });
}

/** The cams of a layout: on a vee with a cam for each bank, the letters of its cylinders say which they serve. */
function camsOf(form, cylinders) {
  const layout = form.layout ?? "twin cam";
  const perBank = layout.endsWith("a bank");
  const banks = perBank
    ? [...new Set(cylinders.map((name) => name[0]).filter((at) => /[A-Z]/.test(at)))]
    : [""];
  if (perBank && banks.length < 2)
    throw new Error(
      "A cam for each bank needs cylinders named by their bank: give the firing order as A1-B1-A2-B2.",
    );
  const kinds = layout.startsWith("single")
    ? [["camshaft", ["inlet", "exhaust"]]]
    : [
        ["inlet", ["inlet"]],
        ["exhaust", ["exhaust"]],
      ];
  const against = form.cam_turns === "against" ? { turns_with_crank: false } : {};
  return banks.flatMap((bank) =>
    kinds.map(([word, valves]) => ({
      name: `${bank} ${word}`.trim(),
      valves,
      ...(bank ? { cylinders: cylinders.filter((name) => name.startsWith(bank)) } : {}),
      adjuster: adjusterOf(
        form,
        word === "exhaust" && form["exhaust_adjuster.kind"] ? "exhaust_adjuster" : "adjuster",
      ),
      ...against,
    })),
  );
}

/** The pin's offset, positive to the thrust side; a sign that was typed counts only with a side. */
function pinOf(form) {
  const offset = typed(form.pin_offset_mm);
  if (offset === undefined) return {};
  const bare = typeof offset === "number" ? Math.abs(offset) : offset.replace(/^[-+]\s*/, "");
  const signed = typeof bare === "number" ? -bare : `-${bare}`;
  return { pin_offset_mm: form.pin_side === "other" ? signed : bare, pin_side_known: Boolean(form.pin_side) };
}

/** Body of `POST /api/engines`. `form` is a plain object of the form's texts. */
export function engineEntry(form, confirmed = []) {
  const firing = names(form.firing_order).map((name) => name.toUpperCase());
  const numbers = Object.fromEntries(CRANK.map((name) => [name, typed(form[name])]));
  const engine = filled({
    name: (form.name ?? "").trim(),
    firing_order: firing,
    cylinders: inOrder(firing),
    rotation: form.rotation,
    seen_from: form.seen_from,
    cams: camsOf(form, inOrder(firing)),
    reference_cylinder: (form.reference_cylinder ?? "").trim().toUpperCase(),
    drive: form.drive,
    cams_in: form.cams_in,
    followers: form.followers,
    crown: form.crown,
    variable_timing: Boolean(form.variable_timing),
    forward_only: Boolean(form.forward_only),
    firing_intervals_deg: names(form.firing_intervals_deg).map(Number),
    ...numbers,
    ...pinOf(form),
  });
  return { engine, confirmed };
}

function halfOf(form, valve) {
  const half = filled(Object.fromEntries(HALF.map((name) => [name, typed(form[`${valve}.${name}`])])));
  if (!Object.keys(half).some((name) => name !== "drop_mm")) return undefined; // the drop is filled in for both
  return form[`${valve}.lift_at`] === "lobe" ? { ...half, lift_at: "lobe" } : half;
}

/** Body of `POST /api/cards`; what belongs to another way of telling is not in `form`, for its fields are hidden. */
export function cardEntry(form, confirmed = []) {
  const card = filled({
    name: (form.name ?? "").trim(),
    way: form.way,
    inlet: halfOf(form, "inlet"),
    exhaust: halfOf(form, "exhaust"),
    maker: (form.maker ?? "").trim(),
    tolerance_deg: typed(form.tolerance_deg),
    separation_cam_deg: typed(form.separation_cam_deg),
    advance_deg: typed(form.advance_deg),
  });
  return { card, unit: form.unit ?? "mm", confirmed };
}

/** Body of `POST /api/jobs`. */
export function jobEntry(form, confirmed = []) {
  return {
    ...filled({
      reference: (form.reference ?? "").trim(),
      engine_id: Number(form.engine_id),
      card_id: Number(form.card_id),
      customer: (form.customer ?? "").trim(),
      builder: (form.builder ?? "").trim(),
      tolerance_deg: typed(form.tolerance_deg),
      cylinders_wanted: names(form.cylinders_wanted),
      single_cam_aim: form.single_cam_aim,
      plunger_on: form.plunger_on,
      shop_inlet_to_piston_mm: typed(form.shop_inlet_to_piston_mm),
      shop_exhaust_to_piston_mm: typed(form.shop_exhaust_to_piston_mm),
      shop_valve_to_valve_mm: typed(form.shop_valve_to_valve_mm),
      new_cam: Boolean(form.new_cam) || undefined,
      note: (form.note ?? "").trim(),
    }),
    confirmed,
    open: true,
  };
}
