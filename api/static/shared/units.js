/**
 * Numbers as this screen's owner wants them read: lengths in mm, inch or thou; angles about the dead centres or plain.
 *
 * Everything in the program is mm and crank degrees; these functions are the only place where that changes. All pure.
 */

/** A space at which no line breaks. */
const NO_BREAK = "\u00a0";

export const LENGTHS = {
  mm: { perMm: 1, decimals: 2, unit: "mm" },
  inch: { perMm: 1 / 25.4, decimals: 4, unit: "in" },
  thou: { perMm: 1000 / 25.4, decimals: 1, unit: "thou" },
};

/** A true minus sign has the width of a plus and of the digits; a hyphen has not. */
export function digits(value, decimals, signed = false) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  const rounded = Math.abs(value).toFixed(decimals);
  const nothing = Number(rounded) === 0;
  const sign = value < 0 && !nothing ? "−" : signed && !nothing ? "+" : "";
  return sign + rounded;
}

/** A length in mm as `{digits, unit}` of the chosen kind (`mm`, `inch`, `thou`); `finer` adds decimals. */
export function lengthParts(mm, kind = "mm", { signed = false, finer = 0 } = {}) {
  const form = LENGTHS[kind] ?? LENGTHS.mm;
  const scaled = Number.isFinite(mm) ? mm * form.perMm : mm;
  return { digits: digits(scaled, form.decimals + finer, signed), unit: form.unit };
}

export function length(mm, kind, options) {
  const parts = lengthParts(mm, kind, options);
  return parts.digits + NO_BREAK + parts.unit;
}

/** The chosen kind's value of a length in mm, for axes. */
export function lengthValue(mm, kind = "mm") {
  return mm * (LENGTHS[kind] ?? LENGTHS.mm).perMm;
}

/** Remainder that is never negative. */
export function wrap(deg, period) {
  const rest = deg % period;
  return rest < 0 ? rest + period : rest;
}

/** Into -period/2 .. +period/2, for signed differences of angles. */
export function wrapSigned(deg, period) {
  const rest = wrap(deg, period);
  return rest > period / 2 ? rest - period : rest;
}

/** Plain crank degrees. */
export function plainAngle(deg, decimals = 2, signed = false) {
  return { digits: digits(deg, decimals, signed), unit: "°" };
}

/**
 * An angle as the trade says it: after or before the nearest TDC. A lobe's centre never lies further than 180 from the
 * TDC it is told from, so this holds whether or not it is known which TDC is the overlap one.
 */
export function centreAngle(deg, wording = "atdc", decimals = 2) {
  if (!Number.isFinite(deg)) return plainAngle(deg, decimals);
  if (wording === "plain") return plainAngle(wrap(deg, 720), decimals);
  const signed = wrapSigned(deg, 360);
  return { digits: digits(Math.abs(signed), decimals), unit: signed < 0 ? "° BTDC" : "° ATDC" };
}

/**
 * An opening or closing as the trade says it: from the nearest dead centre (TDC at 0, BDC at 180 and 540 of 720).
 */
export function eventAngle(deg, wording = "atdc", decimals = 1) {
  if (!Number.isFinite(deg)) return plainAngle(deg, decimals);
  if (wording === "plain") return plainAngle(wrap(deg, 720), decimals);
  const fromTop = wrapSigned(deg, 360);
  const top = Math.abs(fromTop) <= 90;
  const rest = top ? fromTop : wrapSigned(deg - 180, 360);
  const side = rest < 0 ? "B" : "A";
  return { digits: digits(Math.abs(rest), decimals), unit: `° ${side}${top ? "TDC" : "BDC"}` };
}

const FROM = { ATDC: [1, 0], BTDC: [-1, 0], ABDC: [1, 180], BBDC: [-1, 180] };

/** A typed angle, "108", "-20", "112 BTDC" or "40.5° ABDC", in crank degrees from TDC; `NaN` for anything else. */
export function angleTyped(text) {
  const found = /^\s*([+\-−]?\s*\d+(?:[.,]\d+)?)\s*°?\s*([AB][TB]DC)?\s*$/i.exec(text ?? "");
  if (!found) return NaN;
  const [sense, from] = FROM[(found[2] ?? "ATDC").toUpperCase()];
  return from + sense * Number(found[1].replace("−", "-").replace(",", ".").replace(/\s/g, ""));
}

/** `{digits, unit}` as one string: the degree sign clings, words are spaced. */
export function joined(parts) {
  return parts.unit.startsWith("°") ? parts.digits + parts.unit : parts.digits + NO_BREAK + parts.unit;
}

/** A tick of an axis of crank degrees from TDC, in the trade's words: TDC, 45, 90, 135, BDC, 135, 90, 45, TDC. */
export function deadCentreTick(deg) {
  const signed = Math.abs(wrapSigned(deg, 360));
  if (signed < 1e-9) return "TDC";
  if (Math.abs(signed - 180) < 1e-9) return "BDC";
  return `${Number(signed.toFixed(1))}°`;
}

/** The unit parted into a degree sign and the words after it. */
export function unitParts(unit) {
  return unit.startsWith("°") ? ["°", unit.slice(1).trim()] : ["", unit];
}

/** How long ago, in words short enough to be read at a glance. */
export function age(seconds) {
  if (!Number.isFinite(seconds) || seconds < 0) return "never";
  if (seconds < 10) return `${seconds.toFixed(1)} s`;
  if (seconds < 120) return `${Math.round(seconds)} s`;
  if (seconds < 7200) return `${Math.round(seconds / 60)} min`;
  if (seconds < 172800) return `${Math.round(seconds / 3600)} h`;
  return `${Math.round(seconds / 86400)} days`;
}

/** Decimals of a centre: as many as its interval deserves, and never more than a builder can use. */
export function decimalsFor(u95) {
  if (!Number.isFinite(u95) || u95 <= 0) return 2;
  return u95 < 0.01 ? 3 : Math.min(2, Math.max(0, 1 - Math.floor(Math.log10(u95))));
}
