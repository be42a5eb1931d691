/**
 * From what the bench said to what a person is shown: the one number, its age, the one button. All pure.
 */

import { crankChannel, isAlive } from "./bench_state.js";
import { age, centreAngle, decimalsFor, digits, lengthParts, plainAngle, wrap } from "./units.js";
import { plainName, whatOf, withoutName } from "./words.js";

const NOTHING = { label: "Crank", digits: "–", unit: "°", interval: "", angle: true };

/** A measured centre as this screen says it: true TDC on the disc, a lobe from the overlap TDC. */
export function centreParts(measurement, result, choices) {
  const decimals = decimalsFor(result.u95_deg);
  const parts =
    measurement.what === "lobe"
      ? centreAngle(result.centre_deg, choices.angle, decimals)
      : plainAngle(result.centre_deg, decimals);
  return { ...parts, interval: `± ${digits(result.u95_deg, decimals)}°` };
}

function guideNumber(guide, choices) {
  const parts = guide.unit === "mm" ? lengthParts(guide.number, choices.length) : plainAngle(guide.number);
  const unit = guide.unit ? parts.unit : "";
  const interval =
    guide.interval === null || guide.interval === undefined
      ? ""
      : guide.unit === "mm"
        ? `± ${lengthParts(guide.interval, choices.length).digits}`
        : `± ${digits(guide.interval, 2)}°`;
  return { label: guide.label, digits: parts.digits, unit, interval };
}

/**
 * The one number: the guide's when it has one, else the centre as it settles, else, where what is raw is wanted, the
 * crank. A number that holds no more is words alone.
 */
export function theNumber(bench, choices, raw = true) {
  const { guide, measurement, result } = bench;
  if (guide && guide.number !== null && guide.number !== undefined) return guideNumber(guide, choices);
  if (guide?.was) return { label: guide.was, digits: "", unit: "", interval: "" };
  if (measurement && result && Number.isFinite(result.centre_deg)) {
    const once = result.warnings?.some((one) => one.code === "seen_once") ? ", seen once" : ", settling";
    const settling = measurement.state === "running" ? once : "";
    return { label: whatOf(measurement.touches) + settling, ...centreParts(measurement, result, choices) };
  }
  const crank = crankChannel(bench);
  const latest = crank && bench.latest[crank.name];
  if (!raw) return { label: "No number yet", digits: "", unit: "", interval: "" };
  if (!latest) return NOTHING;
  if (bench.tdcDeg === null)
    return { label: "Crank, on the encoder", ...plainAngle(wrap(latest.value, 360), 1), interval: "" };
  return {
    label: "Crank, from true TDC",
    ...centreAngle(latest.value - bench.tdcDeg, choices.angle, 1),
    interval: "",
  };
}

/**
 * Is what is shown still true? `null` when fresh; else one sentence. `ageMs` is how long the server has been silent.
 */
export function staleness(linkState, ageMs, bench) {
  const old = age(ageMs / 1000);
  if (linkState === "lost") {
    return Number.isFinite(ageMs)
      ? `Link lost. What is shown is ${old} old.`
      : "No link to the bench yet. Trying again.";
  }
  if (linkState === "connecting") return "Connecting to the bench.";
  if (!bench.captureAlive) return "The bench has stopped reading. What is shown is old.";
  const crank = crankChannel(bench);
  if (crank && !isAlive(crank)) {
    const since = crank.age_s === null ? "never heard" : `silent for ${age(crank.age_s + ageMs / 1000)}`;
    return `${plainName(crank.name)} ${since}. The number is old.`;
  }
  return null;
}

/** One instrument's reading: digits, whether it is fresh, and a word and a shape for its state. */
export function readingOf(channel, latest, linkState, ageMs, choices) {
  const parts =
    channel.quantity === "crank"
      ? plainAngle(latest ? wrap(latest.value, 360) : null, 1)
      : lengthParts(latest?.value ?? null, choices.length);
  const linkOld = linkState !== "live";
  const alive = isAlive(channel) && !linkOld;
  const seconds = (channel.age_s ?? Infinity) + (Number.isFinite(ageMs) ? ageMs / 1000 : 0);
  const word = linkOld ? `${age(seconds)} old` : isAlive(channel) ? "reading" : plainName(channel.state);
  return {
    ...parts,
    stale: !alive,
    kind: alive ? "live" : linkOld ? "stop" : "mind",
    word,
    note: alive ? rateNote(channel) : withoutName(channel.sentence, channel.name),
  };
}

function rateNote(channel) {
  const rejected = channel.rejected ? `, ${channel.rejected} rejected` : "";
  return `${digits(channel.rate_hz, channel.rate_hz < 10 ? 1 : 0)} readings/s${rejected}`;
}

/** Is what arrives being kept? Where no instrument is, nothing arrives, and nothing is wrong. */
export function keptState({ recorder, captureAlive, channels }) {
  if (!recorder && captureAlive && !channels.length) return { kind: "quiet", word: "nothing to keep" };
  if (!recorder) return { kind: "mind", word: "nothing kept" };
  const good = recorder.unsaved_s < 5 && ["recording", "saving", "ok", "online"].includes(recorder.state);
  return good ? { kind: "live", word: "kept" } : { kind: "stop", word: recorder.sentence || recorder.state };
}

/** A job that asks for nothing to be pressed; one that is signed makes room for the next. */
function jobWithoutAction(guide) {
  if (guide.step === "Signed")
    return { label: "Put the job away", act: `/api/jobs/${guide.job_id}/close`, ready: true };
  if (guide.move) return { label: "Not on the number yet", act: "", ready: false };
  return { label: "Do as the sentence says", act: "", ready: false };
}

/**
 * What the one large button does: `{label, act, ready}`. The guide says so in a job; without one, start and finish.
 */
export function theButton(bench, choice, linkState) {
  const { guide, measurement } = bench;
  if (linkState !== "live") return { label: "No link to the bench", act: "", ready: false };
  if (guide?.action) return { label: guide.button || "Go on", act: guide.action, ready: true };
  if (guide?.job_id !== null && guide?.job_id !== undefined) return jobWithoutAction(guide);
  if (measurement?.state === "running")
    return { label: `Finish: ${whatOf(measurement.touches)}`, act: "finish", ready: true };
  if (!choice.gauge) return { label: "No gauge to measure with", act: "", ready: false };
  return { label: `Start: ${whatOf(choice.touches)}`, act: "start", ready: true };
}

/** More than so many warnings beside a step are not read. */
const MOST_WARNINGS = 3;

/** True of every lobe of a bench alike: said with the instruments and with each trace, not beside every step. */
const SAID_ELSEWHERE = ["encoder_not_stated"];

/** What is doubtful about the number that is shown, at most three; more are counted, never silently dropped. */
export function theWarnings(bench) {
  const { guide, measurement, error, result } = bench;
  const told = [];
  if (error && error.message !== guide?.why && measurement?.state === "running")
    told.push(`Not yet. ${error.message}`);
  // Warnings belong to the number they were given with: another number of the guide's, or none, has none of them.
  const own = !guide?.was && (guide?.call || guide?.number === null || guide?.number === undefined);
  if (own || measurement?.state === "running")
    told.push(
      ...(result?.warnings ?? [])
        .filter((warning) => !SAID_ELSEWHERE.includes(warning.code))
        .map((warning) => warning.message),
    );
  const more = told.length - MOST_WARNINGS;
  if (more <= 0) return told;
  return [...told.slice(0, MOST_WARNINGS - 1), `${more + 1} more warnings, with its trace.`];
}

/** Cautions of the step: safety, apart from what is doubtful about a number. */
export function theCautions(bench) {
  return bench.guide?.cautions ?? [];
}

/** Where the job is: "Step 9 of 19"; empty outside a job. */
export function stepWords(guide) {
  return guide?.steps ? `Step ${guide.step_number} of ${guide.steps}` : "";
}

/** What to measure after `touches`, the way a builder goes round an engine. */
export function nextTouch(touches, cylinders = 4) {
  const [part, text] = touches.split("_");
  const number = Number(text) || 1;
  if (part === "piston") return `inlet_${number}`;
  if (part === "inlet") return `exhaust_${number}`;
  return `inlet_${(number % cylinders) + 1}`;
}

const SENTENCES = {
  connecting: "Connecting to the bench.",
  noBench: "The bench is not running. Start capture, or look under Instruments.",
  turn: "Say what the gauge touches, then start and turn the crank.",
};

/** The one sentence. A stale screen never shows an old instruction as if it still held. */
export function theSentence(bench, linkState) {
  if (linkState === "connecting") return SENTENCES.connecting;
  if (linkState === "lost") return "Wait: no link to the bench. It comes back by itself.";
  if (!bench.captureAlive) return bench.benchSentence || SENTENCES.noBench;
  if (bench.guide?.sentence) return bench.guide.sentence;
  if (bench.measurement?.sentence) return bench.measurement.sentence;
  return SENTENCES.turn;
}
