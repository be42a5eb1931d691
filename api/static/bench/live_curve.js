/**
 * The curve of the running measurement, drawn as the crank turns.
 *
 * Points are painted once, onto a layer of their own; each frame only lays that layer down and draws what moves over it
 * (where the crank stands, the fitted curve, equal readings, the centre line). So five minutes of readings cost a frame
 * no more than five seconds.
 */

import { Span, angleTicks, lengthTicks, placeInWindow } from "./curve_scale.js";
import { crankChannel } from "./bench_state.js";
import { equalPairs, settledFrom, unrolled } from "./series.js";
import { topOf } from "./trace_item.js";
import { centreParts } from "./bench_view.js";
import { deadCentreTick, digits, joined, lengthValue, LENGTHS, wrap } from "./units.js";

const MARGIN = { left: 58, right: 16, bottom: 34 };
/** Room above the curve for the axis's name and the centre's label: side by side, or one below the other. */
const TOP = 30;
const TOP_NARROW = 48;
const NARROW = 420;
/** Nothing is enlarged so far that the drawing is left with less than this. */
const LEAST_WIDTH = 700;
const PAIRS_DRAWN = 5;
/** A base circle that moves by less, as the fit settles, is no reason to draw anew. */
const BASE_MOVED_MM = 0.02;
/** Where a lobe's equal readings are drawn, mm below full lift. */
const PAIR_DROPS = [0.5, 1.27, 2, 4];

/** What a `LiveCurve` draws of the bench's state. */
export function viewOfCurve(bench, choices, dark) {
  const { measurement } = bench;
  const crank = crankChannel(bench);
  return {
    key: `${measurement?.id ?? ""} ${choices.length} ${choices.angle} ${dark} ${bench.zeroDeg}`,
    what: measurement?.what ?? "",
    period: measurement?.what === "tdc" ? 360 : 720,
    zeroDeg: bench.zeroDeg,
    points: bench.points,
    fit: bench.fit,
    result: bench.result,
    crankDeg: crank ? bench.latest[crank.name]?.value : NaN,
    lengthKind: choices.length,
    centreText: bench.result ? joined(centreParts(measurement, bench.result, choices)) : "",
    tick:
      measurement?.what === "lobe" && choices.angle === "atdc"
        ? deadCentreTick
        : (deg, period) => `${wrap(deg, period)}°`,
  };
}

function ink(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

export class LiveCurve {
  /** `scale` enlarges lettering and points for a wall, where there is room for it. */
  constructor(canvas, scale = 1) {
    this.canvas = canvas;
    this.scale = scale;
    this.layer = document.createElement("canvas");
    /** For pistons and for lobes: did the gauge read more (+1) or less (-1) at the top, by the last fit? */
    this.senses = {};
    /** What is drawn upwards: `sense` times the reading less `base`; lift, where the base circle is known. */
    this.upwards = { sense: 1, base: 0, lift: false };
    this.reset("", 720);
    new ResizeObserver(() => this.#resize()).observe(canvas.parentElement);
    this.#resize();
  }

  /** Start an empty drawing; `key` names what is drawn (a measurement in one unit and one light). */
  reset(key, period, from = 0) {
    if (key !== this.key) this.colours = null;
    this.key = key;
    this.period = period;
    this.span = new Span(period);
    /** Readings before this one were taken while the gauge was being set. */
    this.from = from;
    this.painted = from;
    this.scanned = from;
    this.low = Infinity;
    this.high = -Infinity;
    this.frame = null;
    this.drawn = null;
  }

  #resize() {
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    const { clientWidth, clientHeight } = this.canvas.parentElement;
    if (!clientWidth) return;
    // Drawn in units of `scale` pixels: a wall's drawing is the bench's, larger.
    const scale = Math.max(1, Math.min(this.scale, clientWidth / LEAST_WIDTH));
    this.ratio = ratio * scale;
    this.width = clientWidth / scale;
    this.height = clientHeight / scale;
    this.top = this.width < NARROW ? TOP_NARROW : TOP;
    for (const canvas of [this.canvas, this.layer]) {
      canvas.width = Math.round(clientWidth * ratio);
      canvas.height = Math.round(clientHeight * ratio);
    }
    this.painted = this.from;
    this.frame = null;
    this.drawn = null;
  }

  /** A bench that stands still is not drawn again sixty times a second: a phone's battery pays for that. */
  #changed(view) {
    const now = [view.points?.crankDeg.length, view.crankDeg, view.result, view.fit];
    const same = this.drawn?.every((part, at) => Object.is(part, now[at]));
    this.drawn = now;
    return !same;
  }

  /**
   * Draw one frame. `view` is `{key, period, zeroDeg, points, fit, result, crankDeg, lengthKind}`.
   */
  draw(view) {
    if (!this.width) return;
    if (view.key !== this.key) this.reset(view.key, view.period);
    if (!this.#changed(view)) return;
    this.colours ??= {
      ink: ink("--ink"),
      ink2: ink("--ink-2"),
      line: ink("--line"),
      hair: ink("--hair"),
      accent: ink("--accent"),
      wash: ink("--accent-wash"),
      font: ink("--lettering"),
    };
    this.view = view;
    this.#turnUp();
    this.#scan();
    this.#paintNew();
    const pen = this.canvas.getContext("2d");
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
    pen.drawImage(this.layer, 0, 0);
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    this.#over(pen);
  }

  /** Draw the top upwards, whichever way the gauge counts; of a lobe the lift, once its base circle is known. */
  #turnUp() {
    const { fit, result, what } = this.view;
    const laid = fit && Number.isFinite(result?.centre_deg) ? this.#laid() : null;
    if (laid) this.senses[what] = laid.top.sense;
    const sense = this.senses[what] ?? 1;
    const lift = Boolean(laid) && what === "lobe";
    const base = lift ? -sense * Math.max(...laid.curve.mm.map((mm) => -sense * mm)) : 0;
    const now = this.upwards;
    if (now.sense === sense && now.lift === lift && Math.abs(now.base - base) < BASE_MOVED_MM) return;
    this.upwards = { sense, base, lift };
    this.reset(this.key, this.period, this.from);
  }

  /** A gauge reading as it is drawn upwards, mm. */
  up(mm) {
    return this.upwards.sense * (mm - this.upwards.base);
  }

  /** Look at what is new: does it still fit the frame? */
  #scan() {
    const { points, zeroDeg } = this.view;
    const count = points?.crankDeg.length ?? 0;
    const from = count ? settledFrom(points.crankDeg, points.gaugeMm) : 0;
    if (count < this.scanned || from !== this.from) this.reset(this.key, this.period, from);
    let outside = !this.frame;
    for (; this.scanned < count; this.scanned += 1) {
      const value = this.up(points.gaugeMm[this.scanned]);
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
    this.painted = this.from;
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
    return (
      this.height -
      MARGIN.bottom -
      ((this.up(mm) - low) / (high - low)) * (this.height - this.top - MARGIN.bottom)
    );
  }

  #axes(pen) {
    const { colours, height, width } = this;
    const right = width - MARGIN.right;
    const floor = height - MARGIN.bottom;
    pen.font = `14px ${this.colours.font}`;
    pen.lineWidth = 1;
    pen.strokeStyle = colours.hair;
    pen.fillStyle = colours.ink2;
    const per = lengthValue(1, this.view.lengthKind);
    const { ticks, decimals } = lengthTicks(
      this.frame.low * per,
      this.frame.high * per,
      Math.max(2, (floor - this.top) / 48),
    );
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    for (const tick of ticks) {
      const { sense, base, lift } = this.upwards;
      const y = Math.round(this.y(base + (sense * tick) / per)) + 0.5;
      pen.beginPath();
      pen.moveTo(MARGIN.left, y);
      pen.lineTo(right, y);
      pen.stroke();
      pen.fillText(digits(lift ? tick : sense * tick, decimals), MARGIN.left - 8, y);
    }
    pen.textAlign = "left";
    const name = `${this.upwards.lift ? "lift" : "gauge"}, ${LENGTHS[this.view.lengthKind]?.unit ?? "mm"}`;
    pen.fillText(name, 6, 12);
    this.nameEnds = 6 + pen.measureText(name).width;
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
      pen.fillText(this.view.tick(tick, this.period), Math.min(Math.max(x, 18), this.width - 18), floor + 10);
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
    pen.fillRect(left, this.top, Math.max(1, right - left), this.height - this.top - MARGIN.bottom);
    pen.globalAlpha = 1;
  }

  /** The fitted curve on the turn that is drawn, as the gauge would read it, and its top. */
  #laid() {
    const { fit } = this.view;
    if (!fit) return null;
    if (this.laidFrom === fit) return this.laidFit;
    const curve = unrolled(fit.deg, fit.mm, this.period);
    this.laidFrom = fit;
    this.laidFit = { curve, top: topOf(curve, this.#inCurve(curve)) };
    return this.laidFit;
  }

  /** The centre's angle on the turn that the fitted curve is unrolled on. */
  #inCurve(curve) {
    return curve.deg[0] + wrap(this.view.result.centre_deg - curve.deg[0], this.period);
  }

  #fit(pen) {
    const laid = this.#laid();
    if (!laid) return;
    pen.strokeStyle = this.colours.accent;
    pen.lineWidth = 2;
    pen.beginPath();
    let before = Infinity;
    laid.curve.deg.forEach((deg, at) => {
      const x = this.x(deg);
      const y = this.y(laid.curve.mm[at]);
      // A step to the left is the end of the turn: lift the pen.
      if (x >= before) pen.lineTo(x, y);
      else pen.moveTo(x, y);
      before = x;
    });
    pen.stroke();
  }

  /** Equal readings as dimensions: a thin line with an arrowhead at each flank and a tick at its middle. */
  #pairs(pen, result) {
    const laid = this.#laid();
    if (!laid) return;
    const told = result.equal_readings?.length
      ? result.equal_readings
      : equalPairs({ deg: laid.curve.deg, mm: laid.curve.mm.map((mm) => laid.top.sense * mm) }, PAIR_DROPS);
    pen.strokeStyle = pen.fillStyle = this.colours.ink2;
    pen.lineWidth = 1;
    for (const pair of told.slice(0, PAIRS_DRAWN)) {
      const y = this.y(laid.top.mm - laid.top.sense * pair.drop_mm);
      const [left, right, middle] = [pair.before_deg, pair.after_deg, pair.midpoint_deg].map((deg) =>
        this.x(deg),
      );
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
    pen.moveTo(x, this.top - 4);
    pen.lineTo(x, this.height - MARGIN.bottom);
    pen.stroke();
    pen.setLineDash([]);
    pen.fillStyle = this.colours.accent;
    pen.font = `600 16px ${this.colours.font}`;
    pen.textAlign = "left";
    pen.textBaseline = "middle";
    const { centreText } = this.view;
    const from = this.top === TOP ? this.nameEnds + 12 : 6;
    pen.fillText(
      centreText,
      labelAt(x, pen.measureText(centreText).width, from, this.width - 4),
      this.top - 14,
    );
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
    pen.moveTo(x, this.top);
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

/** Where a label of an upright at `x` begins: right of it, else left of it, within `from` to `to`. */
export function labelAt(x, width, from, to) {
  const beside = x + 8 + width <= to ? x + 8 : x - 8 - width;
  return Math.max(from, Math.min(beside, to - width));
}

function arrowhead(pen, x, y, sense) {
  pen.beginPath();
  pen.moveTo(x, y);
  pen.lineTo(x - sense * 9, y - 3);
  pen.lineTo(x - sense * 9, y + 3);
  pen.closePath();
  pen.fill();
}
