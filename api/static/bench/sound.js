/**
 * Tones and spoken numbers, for when nobody can look. Off until asked; browsers also want one touch before they sound.
 *
 * approach       short low pips that come closer together as the number comes nearer
 * on_the_number  one long steady tone
 * overshot       two falling tones
 * fault          three rough low tones
 */

const TONES = {
  approach: [{ hz: 440, at: 0, s: 0.05 }],
  on_the_number: [{ hz: 880, at: 0, s: 0.6 }],
  overshot: [
    { hz: 660, at: 0, s: 0.16 },
    { hz: 440, at: 0.18, s: 0.22 },
  ],
  fault: [
    { hz: 180, at: 0, s: 0.15 },
    { hz: 180, at: 0.22, s: 0.15 },
    { hz: 180, at: 0.44, s: 0.3 },
  ],
};

/** Seconds between two approach pips at a distance of `away` (degrees, or tenths of a mm): 1.2 s far, 0.12 s near. */
export function pipInterval(away) {
  if (!Number.isFinite(away)) return 1.2;
  const share = Math.min(1, Math.log1p(Math.abs(away)) / Math.log1p(60));
  return Math.min(1.2, 0.12 + share * 1.08);
}

/**
 * What should sound now. `before` and `now` are `{tone, away}`; a tone other than approach sounds once, when it comes.
 */
export function toneDue(before, now, sinceLastS) {
  if (!now.tone) return "";
  if (now.tone !== before.tone) return now.tone;
  return now.tone === "approach" && sinceLastS >= pipInterval(now.away) ? "approach" : "";
}

/** A number as it is spoken: no sign words run together, no digit lost. */
export function spoken(text) {
  return text
    .replaceAll("−", "minus ")
    .replaceAll("±", "plus or minus ")
    .replaceAll("°", " degrees")
    .replace(/\bATDC\b/g, "after top dead centre")
    .replace(/\bBTDC\b/g, "before top dead centre")
    .replace(/\bABDC\b/g, "after bottom dead centre")
    .replace(/\bBBDC\b/g, "before bottom dead centre")
    .replace(/\bmm\b/g, "millimetres")
    .replace(/\s+/g, " ")
    .trim();
}

export class Sound {
  constructor(settings) {
    this.settings = settings;
    this.context = null;
    this.last = { tone: "", away: null };
    this.lastAt = -Infinity;
  }

  /** Must be called from a touch or a key: only then may a browser sound. */
  wake() {
    if (this.settings.chosen.sound !== "on") return;
    this.context ??= new AudioContext();
    this.context.resume();
  }

  play(tone) {
    if (!this.context || !TONES[tone]) return;
    for (const part of TONES[tone]) this.#beep(this.context.currentTime + part.at, part);
  }

  #beep(start, { hz, s }) {
    const tone = this.context.createOscillator();
    const loud = this.context.createGain();
    tone.type = hz < 200 ? "sawtooth" : "sine";
    tone.frequency.value = hz;
    // Ramped at both ends: a square start clicks in a cheap speaker.
    loud.gain.setValueAtTime(0, start);
    loud.gain.linearRampToValueAtTime(0.25, start + 0.01);
    loud.gain.setValueAtTime(0.25, start + s - 0.02);
    loud.gain.linearRampToValueAtTime(0, start + s);
    tone.connect(loud).connect(this.context.destination);
    tone.start(start);
    tone.stop(start + s);
  }

  /** Called as the guide changes. */
  follow(tone, away, nowS = performance.now() / 1000) {
    const now = { tone: tone ?? "", away };
    const due = toneDue(this.last, now, nowS - this.lastAt);
    if (due && this.settings.chosen.sound === "on") this.play(due);
    if (due) this.lastAt = nowS;
    this.last = now;
  }

  /** Speak, dropping whatever is still being said: an old number must not be heard after a new one. */
  say(text) {
    if (this.settings.chosen.speech !== "on" || !("speechSynthesis" in window)) return;
    window.speechSynthesis.cancel();
    const words = new SpeechSynthesisUtterance(spoken(text));
    words.lang = this.settings.chosen.words === "american" ? "en-US" : "en-GB";
    window.speechSynthesis.speak(words);
  }
}
