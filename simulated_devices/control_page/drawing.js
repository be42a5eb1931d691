// The section through cylinder 1: crank, rod, piston, valves, cams and the gauges on them.
const NS = "http://www.w3.org/2000/svg";
const MM = 1.5;
const CRANK = { x: 210, y: 462 };
const DISC = 108;
const CAM_Y = 62;
const CAMS = { exhaust: 128, inlet: 292 };

function add(parent, name, attributes = {}, text = "") {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text) element.textContent = text;
  parent.append(element);
  return element;
}

const radians = (deg) => (deg * Math.PI) / 180;

export class Drawing {
  constructor(svg, plan) {
    this.svg = svg;
    this.plan = plan;
    this.radius = plan.stroke_mm / 2;
    this.top = this.pistonHeight(0);
    svg.replaceChildren();
    this.drawBore();
    this.drawValves();
    this.drawCrank();
    this.gauges = add(svg, "g");
  }

  // Height of the piston pin above the crank, mm, at degrees after true TDC.
  pistonHeight(deg) {
    const throwDeg = radians(deg + this.plan.highest_throw_deg);
    const side = this.radius * Math.sin(throwDeg) + this.plan.pin_offset_mm;
    return this.radius * Math.cos(throwDeg) + Math.sqrt(this.plan.rod_mm ** 2 - side ** 2);
  }

  crownY(deg) {
    return CRANK.y - 26 - this.pistonHeight(deg) * MM;
  }

  drawBore() {
    const head = this.crownY(0) - 14;
    const left = CRANK.x - 68,
      right = CRANK.x + 68,
      foot = this.crownY(180) + 52;
    this.headY = head;
    add(this.svg, "path", { class: "bore", d: `M${left} ${foot}V${head}H${right}V${foot}` });
  }

  drawValves() {
    this.valves = {};
    for (const [name, lobe] of Object.entries(this.plan.lobes)) {
      const kind = name.startsWith("inlet") ? "inlet" : "exhaust";
      const x = CAMS[kind];
      const seat = CRANK.x + (kind === "inlet" ? 32 : -32);
      const moving = add(this.svg, "g");
      const base = Math.min(...lobe.radius_mm);
      add(moving, "path", { class: "follower", d: `M${x - 17} ${CAM_Y + base * MM}h34v13h-34z` });
      add(moving, "path", {
        class: "valve",
        fill: "none",
        d: `M${x} ${CAM_Y + base * MM + 13}L${seat} ${this.headY - 8}`,
      });
      add(moving, "path", { class: "valve", d: `M${seat - 24} ${this.headY + 3}h48l-20 -9h-8z` });
      const points = lobe.radius_mm.map((radius, place) => {
        const angle = radians((place * 360) / lobe.radius_mm.length);
        return `${(radius * MM * Math.sin(angle)).toFixed(2)},${(radius * MM * Math.cos(angle)).toFixed(2)}`;
      });
      const turning = add(this.svg, "g");
      const outline = add(turning, "polygon", { class: "cam", points: points.join(" ") });
      add(turning, "circle", { class: "pin", r: 7 });
      add(this.svg, "text", { class: "small", x, y: 16 }, kind);
      this.valves[name] = { lobe, x, seat, moving, turning, outline, base };
    }
  }

  drawCrank() {
    this.disc = add(this.svg, "circle", {
      class: "disc",
      cx: CRANK.x,
      cy: CRANK.y,
      r: DISC,
      tabindex: 0,
      role: "slider",
      "aria-label": "Crank angle",
      "aria-valuemin": 0,
      "aria-valuemax": 720,
    });
    this.scale = add(this.svg, "g");
    for (let deg = 0; deg < 360; deg += 5) {
      const long = deg % 30 === 0,
        angle = radians(deg),
        inner = DISC - (long ? 14 : deg % 10 ? 5 : 8);
      add(this.scale, "line", {
        class: long ? "tick long" : "tick",
        x1: inner * Math.sin(angle),
        y1: -inner * Math.cos(angle),
        x2: DISC * Math.sin(angle),
        y2: -DISC * Math.cos(angle),
      });
      if (long) {
        const at = DISC - 24;
        add(this.scale, "text", { x: at * Math.sin(angle), y: 4 - at * Math.cos(angle) }, String(deg));
      }
    }
    add(this.svg, "path", { class: "pointer", d: `M${CRANK.x + DISC + 3} ${CRANK.y}l13 -7v14z` });
    this.web = add(this.svg, "path", { class: "web" });
    this.rod = add(this.svg, "line", { class: "rod" });
    this.core = add(this.svg, "line", { class: "rod-core" });
    this.piston = add(this.svg, "path", { class: "piston" });
    this.pins = [0, 1, 2].map(() => add(this.svg, "circle", { class: "pin", r: 7 }));
  }

  update(state) {
    const deg = state.crank.deg;
    const throwDeg = radians(deg + this.plan.highest_throw_deg);
    const pin = {
      x: CRANK.x + this.radius * MM * Math.sin(throwDeg),
      y: CRANK.y - this.radius * MM * Math.cos(throwDeg),
    };
    const small = { x: CRANK.x - this.plan.pin_offset_mm * MM, y: CRANK.y - this.pistonHeight(deg) * MM };
    // The disc is read at a pointer on its right-hand side: the number there is the crank angle.
    this.scale.setAttribute("transform", `translate(${CRANK.x} ${CRANK.y}) rotate(${90 - (deg % 360)})`);
    const turn = (angle, radius) =>
      `${CRANK.x + radius * Math.sin(throwDeg + angle)} ${CRANK.y - radius * Math.cos(throwDeg + angle)}`;
    this.web.setAttribute(
      "d",
      `M${turn(-0.35, 70)}A72 72 0 0 1 ${turn(0.35, 70)}L${turn(2.2, 50)}A50 50 0 0 1 ${turn(-2.2, 50)}Z`,
    );
    for (const line of [this.rod, this.core]) {
      for (const [key, value] of Object.entries({ x1: pin.x, y1: pin.y, x2: small.x, y2: small.y }))
        line.setAttribute(key, value);
    }
    this.piston.setAttribute("d", `M${small.x - 65} ${small.y - 26}h130v62h-26v-20h-78v20h-26z`);
    [CRANK, pin, small].forEach((at, place) => {
      this.pins[place].setAttribute("cx", at.x);
      this.pins[place].setAttribute("cy", at.y);
    });
    this.disc.setAttribute("aria-valuenow", deg.toFixed(1));
    this.updateValves(state);
    this.updateGauges(state, small);
  }

  updateValves(state) {
    for (const valve of Object.values(this.valves)) {
      const cam = state.cams[valve.lobe.cam];
      const camDeg = (cam.phase_deg - valve.lobe.nose_deg) / 2;
      valve.turning.setAttribute("transform", `translate(${valve.x} ${CAM_Y}) rotate(${camDeg})`);
      valve.outline.classList.toggle("loose", !cam.bolts_tight);
      const radii = valve.lobe.radius_mm,
        place = ((((-camDeg % 360) + 360) % 360) * radii.length) / 360;
      // The follower stands straight below: the radius there is the lobe's at minus the cam's turn.
      const lift = radii[Math.round(radii.length - place) % radii.length] - valve.base;
      valve.lift = lift * MM;
      valve.moving.setAttribute("transform", `translate(0 ${valve.lift})`);
    }
  }

  updateGauges(state, small) {
    this.gauges.replaceChildren();
    const stacked = new Map();
    for (const [name, gauge] of Object.entries(state.gauges)) {
      const valve = this.valves[gauge.onto];
      if (gauge.onto !== "piston_1" && !valve) continue;
      const x = valve ? valve.x + (valve.x > CRANK.x ? 76 : -76) : CRANK.x;
      const foot = valve ? CAM_Y + valve.base * MM + 13 + valve.lift : small.y - 26;
      const head = 24 + 40 * (stacked.get(gauge.onto) ?? 0);
      stacked.set(gauge.onto, (stacked.get(gauge.onto) ?? 0) + 1);
      if (valve) add(this.gauges, "path", { class: "plunger", d: `M${x} ${head}V${foot}H${valve.x}` });
      else add(this.gauges, "path", { class: "plunger", d: `M${x} ${head}V${foot}` });
      add(this.gauges, "rect", { class: "gauge", x: x - 38, y: head, width: 76, height: 36, rx: 6 });
      add(this.gauges, "text", { class: "gauge-text", x, y: head + 14 }, name);
      add(this.gauges, "text", { class: "gauge-text", x, y: head + 29 }, gauge.value);
    }
  }

  // Angle of a pointer event round the crank, degrees clockwise from the top.
  angleOf(event) {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.svg.getScreenCTM().inverse());
    return (Math.atan2(at.x - CRANK.x, CRANK.y - at.y) * 180) / Math.PI;
  }
}
