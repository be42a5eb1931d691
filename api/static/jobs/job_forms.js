/**
 * What can be entered at each kind of step: a list of fields, and what they become when sent. Pure.
 *
 * A form is `{title, fields: [{name, label, type, value, options, required}], button, send(values) -> [path, body][]}`.
 */

import { typed } from "./entries.js";
import { LENGTHS } from "./units.js";

/** A length typed in this screen's unit, as mm. */
export function lengthTyped(text, kind) {
  const value = typed(text);
  return typeof value === "number" ? value / LENGTHS[kind].perMm : NaN;
}

function shownLength(mm, kind) {
  return Number.isFinite(mm)
    ? String(Number((mm * LENGTHS[kind].perMm).toFixed(LENGTHS[kind].decimals + 1)))
    : "";
}

function clearances(job, _step, choices) {
  const { engine, card } = job.job;
  const cylinder = engine.reference_cylinder || engine.firing_order[0];
  const unit = LENGTHS[choices.length].unit;
  const valves = [...new Set(engine.cams.flatMap((cam) => cam.valves))];
  return {
    title: "Clearance found and set, cold, on the base circle",
    fields: valves.map((valve) => ({
      name: valve,
      label: `${valve} valve ${cylinder}, ${unit}`,
      value: shownLength(card[valve]?.checking_clearance_mm, choices.length),
      required: true,
    })),
    button: "Note the clearances",
    send: (values) =>
      valves.map((valve) => [
        "facts",
        {
          what: {
            kind: "clearance_noted",
            cylinder,
            valve,
            clearance_mm: lengthTyped(values[valve], choices.length),
          },
        },
      ]),
  };
}

function verdict(_job, step) {
  return {
    title: "Decide",
    fields: [
      {
        name: "decision",
        label: "Decision",
        options: [
          ["correct", "correct it"],
          ["leave", "leave it as it is"],
          ["measure_again", "measure again"],
        ],
      },
      { name: "reason", label: "Reason (needed to leave a cam that is out)" },
    ],
    button: "Decide",
    send: (values) => [
      [
        "facts",
        { what: { kind: "decided", cam: step.cam, decision: values.decision, reason: values.reason } },
      ],
    ],
  };
}

function correction(_job, _step) {
  return {
    title: "How it is moved",
    fields: [
      {
        name: "way",
        label: "Way",
        options: [
          ["cam_turned", "crank held, cam turned, the gauge guides"],
          ["crank_turned", "cam held, crank turned"],
        ],
      },
    ],
    button: "Move it this way at the bench",
    send: (values) => [["way", { way: values.way }]],
  };
}

function tightened(_job, step) {
  const to = step.kind;
  return {
    title: to === "nipped" ? "Nipped up" : "Torqued and locked",
    fields:
      to === "nipped"
        ? []
        : [
            { name: "torque_nm", label: "Torque, Nm, as the engine maker says" },
            { name: "locking", label: "Locking: thread-lock, tab" },
          ],
    button: to === "nipped" ? "It is nipped up" : "It is torqued",
    send: (values) => {
      const torque = typed(values.torque_nm);
      const known = typeof torque === "number" ? { torque_nm: torque } : {};
      return [
        [
          "facts",
          { what: { kind: "tightened", cam: step.cam, to, locking: values.locking ?? "", ...known } },
        ],
      ];
    },
  };
}

/** Whether a twin-cam engine's valves lean, so that inlet and exhaust valve can meet. */
export function canMeet({ cams, inlet_valve_angle_deg, exhaust_valve_angle_deg }) {
  const lean = (inlet_valve_angle_deg ?? 0) + (exhaust_valve_angle_deg ?? 0);
  return lean > 0 && ["inlet", "exhaust"].every((valve) => cams.some((cam) => cam.valves.join() === valve));
}

const APART = "apart";

function travels(engine, lobes, unit) {
  const meet = canMeet(engine);
  const several = Math.max(...lobes.map(({ valve }) => engine[`${valve}_valves`] ?? 1));
  const more = Array.from({ length: several - 1 }, (_, at) => ({
    name: `other${at}`,
    label: `Travel of the ${at ? "third" : "second"} valve of its kind, ${unit}`,
  }));
  const options = lobes.map(({ valve }) => [valve, `${valve} valve, until it touches the piston`]);
  return [
    {
      name: "valve",
      label: "Valve",
      options: meet ? [...options, [APART, "inlet, then exhaust valve, each until it stops"]] : options,
    },
    {
      name: "drop",
      label: `Travel${meet ? " (of the inlet)" : ""} until it touched, ${unit}`,
      required: !meet,
    },
    ...more,
    ...(meet
      ? [{ name: "exhaust", label: `Travel of the exhaust valve, where each was pushed, ${unit}` }]
      : []),
    {
      name: "at",
      label: "Crank degrees after overlap TDC (before: with a minus)",
      required: !meet,
    },
  ];
}

function sentApart(values, kind, cylinder) {
  const [inlet, exhaust] = [lengthTyped(values.drop, kind), lengthTyped(values.exhaust, kind)];
  const pushed = Number.isFinite(inlet) || Number.isFinite(exhaust);
  return [
    "valves",
    {
      cylinder,
      at_deg: Number(typed(values.at) ?? 0),
      ...(pushed ? { inlet_travel_mm: inlet, exhaust_travel_mm: exhaust } : {}),
    },
  ];
}

function drop(job, step, choices) {
  const { engine } = job.job;
  const unit = LENGTHS[choices.length].unit;
  const lobes = step.lobes?.length ? step.lobes : [{ valve: "inlet" }, { valve: "exhaust" }];
  const of = step.lobes?.length ? { cylinder: step.lobes[0].cylinder } : {};
  const known = lobes.every(({ valve }) => Number.isFinite(engine[`${valve}_valve_angle_deg`]));
  return {
    title: "A valve pushed until it touched",
    fields: [
      ...travels(engine, lobes, unit),
      ...(known ? [] : [{ name: "angle", label: "Valve's angle to the bore, degrees", value: "0" }]),
    ],
    button: "Compute the clearance",
    send: (values) => {
      if (values.valve === APART) return [sentApart(values, choices.length, of.cylinder)];
      const others = [values.other0, values.other1]
        .map((text) => lengthTyped(text, choices.length))
        .filter(Number.isFinite);
      const angle = typed(values.angle);
      return [
        [
          "drops",
          {
            valve: values.valve,
            ...of,
            drop_mm: lengthTyped(values.drop, choices.length),
            at_deg: Number(typed(values.at)),
            ...(Number.isFinite(angle) ? { valve_angle_deg: angle } : {}),
            ...(others.length ? { others_mm: others } : {}),
          },
        ],
      ];
    },
  };
}

function signing(job) {
  return {
    title: "Sign",
    fields: [
      { name: "by", label: "Name", value: job.job.builder, required: true },
      { name: "statement", label: "What you want to say with it" },
    ],
    button: "Sign the job",
    send: (values) => [["sign", { by: values.by, statement: values.statement ?? "" }]],
  };
}

const FORMS = {
  clearances,
  verdict,
  room: drop,
  correction,
  nipped: tightened,
  torqued: tightened,
  valve_to_piston: drop,
  sign_off: signing,
};

/** The form of the step that is due, or `null` when it is done at the bench alone. */
export function formFor(job, step, choices) {
  return FORMS[step?.kind]?.(job, step, choices) ?? null;
}
