import { canMeet, formFor, lengthTyped } from "/static/job_forms.js";
import { equal, near } from "./check.js";

const job = {
  job: {
    builder: "Ida Thorne",
    engine: {
      firing_order: ["1", "3", "4", "2"],
      reference_cylinder: "",
      cams: [{ valves: ["inlet"] }, { valves: ["exhaust"] }],
    },
    card: { inlet: { checking_clearance_mm: 0.3 }, exhaust: null },
  },
};
const mm = { length: "mm" };

export const tests = {
  "a step that is done at the bench has no form": () => equal(formFor(job, { kind: "true_tdc" }, mm), null),
  "nothing due has no form": () => equal(formFor(job, undefined, mm), null),
  "clearances come filled from the card, in this screen's unit": () => {
    equal(
      formFor(job, { kind: "clearances" }, mm).fields.map((field) => field.value),
      ["0.3", ""],
    );
    equal(formFor(job, { kind: "clearances" }, { length: "thou" }).fields[0].value, "11.81");
  },
  "clearances are sent in mm, one fact a valve": () => {
    const sent = formFor(job, { kind: "clearances" }, { length: "thou" }).send({
      inlet: "12",
      exhaust: "14",
    });
    equal(
      sent.map(([path, body]) => [path, body.what.valve]),
      [
        ["facts", "inlet"],
        ["facts", "exhaust"],
      ],
    );
    near(sent[0][1].what.clearance_mm, 0.3048, 1e-9);
  },
  "text is no length": () => equal(Number.isNaN(lengthTyped("twelve", "mm")), true),
  "a decision names its cam": () =>
    equal(
      formFor(job, { kind: "verdict", cam: "inlet" }, mm).send({
        decision: "leave",
        reason: "as the customer wants",
      })[0][1].what,
      { kind: "decided", cam: "inlet", decision: "leave", reason: "as the customer wants" },
    ),
  "a torque left empty is not sent": () =>
    equal(
      "torque_nm" in
        formFor(job, { kind: "torqued", cam: "inlet" }, mm).send({ torque_nm: "", locking: "tab" })[0][1]
          .what,
      false,
    ),
  "a drop goes in mm and degrees": () => {
    const [path, body] = formFor(job, { kind: "valve_to_piston" }, { length: "inch" }).send({
      valve: "inlet",
      drop: "0.1",
      at: "-10",
      angle: "",
    })[0];
    equal([path, body.at_deg, "valve_angle_deg" in body], ["drops", -10, false]);
    near(body.drop_mm, 2.54, 1e-9);
  },
  "both valves of a pair are pushed, and what is said of the engine is not asked again": () => {
    const engine = { ...job.job.engine, inlet_valves: 2, exhaust_valves: 1 };
    const lean = { inlet_valve_angle_deg: 14, exhaust_valve_angle_deg: 16 };
    const step = { kind: "valve_to_piston", lobes: [{ valve: "inlet", cylinder: "1" }] };
    const names = (one) =>
      formFor({ job: { ...job.job, engine: one } }, step, mm).fields.map((field) => field.name);
    equal(names(engine).includes("other0"), true);
    equal(names(engine).includes("angle"), true);
    equal(names({ ...engine, ...lean }).includes("angle"), false);
    const sent = formFor({ job: { ...job.job, engine } }, step, mm).send({
      valve: "inlet",
      drop: "3.1",
      other0: "2.8",
      at: "10",
      angle: "14",
    });
    equal(sent[0][1].others_mm, [2.8]);
    equal(sent[0][1].valve_angle_deg, 14);
  },
  "valve to valve goes by both travels, or by the heads alone": () => {
    const lean = { inlet_valve_angle_deg: 14, exhaust_valve_angle_deg: 16 };
    const cams = [{ valves: ["inlet"] }, { valves: ["exhaust"] }];
    const leaning = { job: { ...job.job, engine: { ...job.job.engine, ...lean, cams } } };
    equal(canMeet(leaning.job.engine), true);
    equal(canMeet({ ...leaning.job.engine, cams: [{ valves: ["inlet", "exhaust"] }] }), false);
    equal(canMeet({ cams }), false);
    const step = { kind: "room", lobes: [{ valve: "inlet", cylinder: "1" }] };
    const form = formFor(leaning, step, mm);
    equal(form.send({ valve: "apart", drop: "3.1", exhaust: "2.8", at: "" }), [
      ["valves", { cylinder: "1", at_deg: 0, inlet_travel_mm: 3.1, exhaust_travel_mm: 2.8 }],
    ]);
    equal(form.send({ valve: "apart", drop: "", exhaust: "", at: "" }), [
      ["valves", { cylinder: "1", at_deg: 0 }],
    ]);
  },
  "the builder's name is offered for signing": () =>
    equal(formFor(job, { kind: "sign_off" }, mm).fields[0].value, "Ida Thorne"),
  "the way of moving is chosen in words": () =>
    equal(formFor(job, { kind: "correction" }, mm).send({ way: "crank_turned" }), [
      ["way", { way: "crank_turned" }],
    ]),
};
