import { formFor, lengthTyped } from "/static/job_forms.js";
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
    equal([path, body.at_deg, body.valve_angle_deg], ["drops", -10, 0]);
    near(body.drop_mm, 2.54, 1e-9);
  },
  "the builder's name is offered for signing": () =>
    equal(formFor(job, { kind: "sign_off" }, mm).fields[0].value, "Ida Thorne"),
  "the way of moving is chosen in words": () =>
    equal(formFor(job, { kind: "correction" }, mm).send({ way: "crank_turned" }), [
      ["way", { way: "crank_turned" }],
    ]),
};
