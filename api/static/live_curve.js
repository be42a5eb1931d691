/**
 * The curve of the running measurement, drawn as the crank turns.
 *
 * Points are painted once, onto a layer of their own; each frame only lays that layer down and draws what moves over it
 * (where the crank stands, the fitted curve, equal readings, the centre line). So five minutes of readings cost a frame
 * no more than five seconds.
 */

import { Span, angleTicks, lengthTicks, placeInWindow } from "./curve_scale.js";
import { digits, lengthValue, LENGTHS, wrap } from "./units.js";

const MARGIN = { left: 58, right: 16, top: 30, bottom: 34 };
const PAIRS_DRAWN = 5;

function ink(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

export class LiveCurve {
  constructor(canvas) {
    this.canvas = canvas;
    this.layer = document.createElement("canvas");
    this.reset("", 720);
    new ResizeObserver(() => this.#resize()).observe(canvas.parentElement);
    this.#resize();
  }

  /** Start an empty drawing; `key` names what is drawn (a measurement in one unit and one light). */
  reset(key, period) {
    this.key = key;
    this.period = period;
    this.span = new Span(period);
    this.painted = 0;
    this.scanned = 0;
    this.low = Infinity;
    this.high = -Infinity;
    this.frame = null;
  }

  #resize() {
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    const { clientWidth, clientHeight } = this.canvas.parentElement;
    if (!clientWidth) return;
    this.ratio = ratio;
    this.width = clientWidth;
    this.height = clientHeight;
    for (const canvas of [this.canvas, this.layer]) {
      canvas.width = Math.round(clientWidth * ratio);
      canvas.height = Math.round(clientHeight * ratio);
    }
    this.painted = 0;
    this.frame = null;
    this.dirty = true;
  }

  /**
   * Draw one frame. `view` is `{key, period, zeroDeg, points, fit, result, crankDeg, lengthKind}`.
   */
  draw(view) {
    if (!this.width) return;
    if (view.key !== this.key) this.reset(view.key, view.period);
    this.dirty = false;
    this.colours = { ink: ink("--ink"), ink2: ink("--ink-2"), line: ink("--line"), hair: ink("--hair"), accent: ink("--accent"), wash: ink("--accent-wash") };
    this.view = view;
    this.#scan();
    this.#paintNew();
    const pen = this.canvas.getContext("2d");
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
    pen.drawImage(this.layer, 0, 0);
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    this.#over(pen);
  }

  /** Look at what is new: does it still fit the frame? */
  #scan() {
    const { points, zeroDeg } = this.view;
    const count = points?.crankDeg.length ?? 0;
    if (count < this.scanned) this.reset(this.key, this.period);
    let outside = !this.frame;
    for (; this.scanned < count; this.scanned += 1) {
      const value = points.gaugeMm[this.scanned];
      if (this.span.add(points.crankDeg[this.scanned] - zeroDeg)) outside = true;
      if (value < this.low) this.low = value;
      if (value > this.high) this.high = value;
    }
    if (this.frame && (this.low < this.frame.low || this.high > this.frame.high)) outside = true;
    if (outside) this.#reframe();
  }

  #reframe() {
    const known = Number.isFinite(this.low);
    const low = known ? this.low : 0;
    const high = known ? this.high : 10;
    const room = Math.max(0.05, (high - low) * 0.12);
    this.frame = { window: this.span.window(), low: low - room, high: high + room };
    this.painted = 0;
    const pen = this.layer.getContext("2d");
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    pen.clearRect(0, 0, this.width, this.height);
    this.#axes(pen);
  }

  x(deg) {
    const share = placeInWindow(deg, this.frame.window, this.period);
    return MARGIN.left + share * (this.width - MARGIN.left - MARGIN.right);
  }

  y(mm) {
    const { low, high } = this.frame;
    return this.height - MARGIN.bottom - ((mm - low) / (high - low)) * (this.height - MARGIN.top - MARGIN.bottom);
  }

  #axes(pen) {
    const { colours, height, width } = this;
    const right = width - MARGIN.right;
    const floor = height - MARGIN.bottom;
    pen.font = `14px ${ink("--lettering")}`;
    pen.lineWidth = 1;
    pen.strokeStyle = colours.hair;
    pen.fillStyle = colours.ink2;
    const per = lengthValue(1, this.view.lengthKind);
    const { ticks, decimals } = lengthTicks(this.frame.low * per, this.frame.high * per, Math.max(2, (floor - MARGIN.top) / 48));
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    for (const tick of ticks) {
      const y = Math.round(this.y(tick / per)) + 0.5;
      pen.beginPath();
      pen.moveTo(MARGIN.left, y);
      pen.lineTo(right, y);
      pen.stroke();
      pen.fillText(digits(tick, decimals), MARGIN.left - 8, y);
    }
    pen.textAlign = "left";
    pen.fillText(`gauge, ${LENGTHS[this.view.lengthKind]?.unit ?? "mm"}`, 6, 12);
    this.#angleAxis(pen, floor, right);
  }

  #angleAxis(pen, floor, right) {
    pen.textAlign = "center";
    pen.textBaseline = "top";
    pen.strokeStyle = this.colours.line;
    pen.beginPath();
    pen.moveTo(MARGIN.left, floor + 0.5);
    pen.lineTo(right, floor + 0.5);
    const wanted = Math.max(3, (right - MARGIN.left) / 84);
    for (const tick of angleTicks(this.frame.window, wanted)) {
      const share = (tick - this.frame.window.start) / this.frame.window.width;
      const x = Math.round(MARGIN.left + share * (right - MARGIN.left)) + 0.5;
      pen.moveTo(x, floor);
      pen.lineTo(x, floor + 6);
      pen.fillText(`${wrap(tick, this.period)}°`, Math.min(Math.max(x, 18), this.width - 18), floor + 10);
    }
    pen.stroke();
  }

  /** Readings turned on are filled dots; on the way back they are rings: told apart without colour. */
  #paintNew() {
    const { points, zeroDeg } = this.view;
    if (!points) return;
    const pen = this.layer.getContext("2d");
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    pen.fillStyle = this.colours.ink;
    pen.strokeStyle = this.colours.line;
    pen.lineWidth = 1;
    for (; this.painted < points.crankDeg.length; this.painted += 1) {
      const x = this.x(points.crankDeg[this.painted] - zeroDeg);
      const y = this.y(points.gaugeMm[this.painted]);
      pen.beginPath();
      if (points.way[this.painted] < 0) {
        pen.arc(x, y, 2.6, 0, 6.2832);
        pen.stroke();
      } else {
        pen.arc(x, y, 1.9, 0, 6.2832);
        pen.fill();
      }
    }
  }

  #over(pen) {
    const { result } = this.view;
    if (result && Number.isFinite(result.centre_deg)) {
      this.#interval(pen, result);
      this.#fit(pen);
      this.#pairs(pen, result);
      this.#centreLine(pen, result.centre_deg);
    }
    this.#crank(pen);
  }

  #interval(pen, result) {
    const left = this.x(result.centre_deg - result.u95_deg);
    const right = this.x(result.centre_deg + result.u95_deg);
    if (right < left) return;
    pen.fillStyle = this.colours.wash;
    pen.globalAlpha = 0.8;
    pen.fillRect(left, MARGIN.top, Math.max(1, right - left), this.height - MARGIN.top - MARGIN.bottom);
    pen.globalAlpha = 1;
  }

  #fit(pen) {
    const { fit } = this.view;
    if (!fit) return;
    pen.strokeStyle = this.colours.accent;
    pen.lineWidth = 2;
    pen.beginPath();
    let before = -Infinity;
    fit.deg.forEach((deg, at) => {
      const x = this.x(deg);
      // A step to the left is the end of the turn: lift the pen.
      if (x > before) pen.lineTo(x, this.y(fit.mm[at]));
      else pen.moveTo(x, this.y(fit.mm[at]));
      before = x;
    });
    pen.stroke();
  }

  /** Equal readings as dimensions: a thin line with an arrowhead at each flank and a tick at its middle. */
  #pairs(pen, result) {
    const { fit } = this.view;
    const top = fit ? (result.polarity === -1 ? Math.min(...fit.mm) : Math.max(...fit.mm)) : this.high;
    const sense = result.polarity === -1 ? -1 : 1;
    pen.strokeStyle = pen.fillStyle = this.colours.ink2;
    pen.lineWidth = 1;
    for (const pair of (result.equal_readings ?? []).slice(0, PAIRS_DRAWN)) {
      const y = this.y(top - sense * pair.drop_mm);
      const [left, right, middle] = [pair.before_deg, pair.after_deg, pair.midpoint_deg].map((deg) => this.x(deg));
      if (!(left < right)) continue;
      pen.beginPath();
      pen.moveTo(left, y);
      pen.lineTo(right, y);
      pen.moveTo(middle, y - 5);
      pen.lineTo(middle, y + 5);
      pen.stroke();
      arrowhead(pen, left, y, -1);
      arrowhead(pen, right, y, 1);
    }
  }

  #centreLine(pen, deg) {
    const x = this.x(deg);
    pen.strokeStyle = this.colours.accent;
    pen.lineWidth = 2;
    pen.setLineDash([16, 4, 4, 4]);
    pen.beginPath();
    pen.moveTo(x, MARGIN.top - 8);
    pen.lineTo(x, this.height - MARGIN.bottom);
    pen.stroke();
    pen.setLineDash([]);
    pen.fillStyle = this.colours.accent;
    pen.font = `600 16px ${ink("--lettering")}`;
    pen.textAlign = x > this.width - 110 ? "right" : "left";
    pen.textBaseline = "middle";
    pen.fillText(`${digits(deg, 2)}°`, x + (pen.textAlign === "left" ? 8 : -8), MARGIN.top - 10);
  }

  /** Where the crank stands now: a wedge on the axis and a thin line up. */
  #crank(pen) {
    const { crankDeg, zeroDeg } = this.view;
    if (!Number.isFinite(crankDeg)) return;
    const x = this.x(crankDeg - zeroDeg);
    if (x < MARGIN.left - 1 || x > this.width - MARGIN.right + 1) return;
    const floor = this.height - MARGIN.bottom;
    pen.strokeStyle = pen.fillStyle = this.colours.ink;
    pen.lineWidth = 1;
    pen.beginPath();
    pen.moveTo(x, MARGIN.top);
    pen.lineTo(x, floor);
    pen.stroke();
    pen.beginPath();
    pen.moveTo(x, floor - 12);
    pen.lineTo(x - 7, floor);
    pen.lineTo(x + 7, floor);
    pen.closePath();
    pen.fill();
  }
}

function arrowhead(pen, x, y, sense) {
  pen.beginPath();
  pen.moveTo(x, y);
  pen.lineTo(x - sense * 9, y - 3);
  pen.lineTo(x - sense * 9, y + 3);
  pen.closePath();
  pen.fill();
}
