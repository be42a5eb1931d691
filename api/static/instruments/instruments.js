/**
 * The instruments: what each is, whether it lives, its last line as it came in, how late its gauge is.
 */

import { get } from "./ask.js";
import { keptState, readingOf } from "./bench_view.js";
import { setUp } from "./bench_setup.js";
import { byId, el, note, put, refill, show, state } from "./dom.js";
import { healthRows, lagsFrom, specRows } from "./instruments_view.js";
import { startScreen } from "./screen.js";
import { age, digits } from "./units.js";
import { plainName, withoutName } from "./words.js";

const { settings, link, bench, spoken } = startScreen();
const known = { specs: {}, lags: {} };

function facts(rows) {
  return el(
    "dl",
    { class: "facts" },
    ...rows.map(([name, value]) =>
      el("div", {}, el("dt", {}, spoken(name)), el("dd", { class: "plain" }, value)),
    ),
  );
}

function channelSheet(channel) {
  return el(
    "section",
    { class: "sheet instrument", data: { channel: channel.name }, "aria-label": plainName(channel.name) },
    el(
      "div",
      { class: "sheet-head" },
      el("h2", {}, plainName(channel.name)),
      el("span", { class: "reading-state" }),
    ),
    el(
      "div",
      { class: "reading" },
      el(
        "div",
        { class: "reading-value" },
        el("span"),
        el("small", { class: channel.quantity === "crank" ? "degree" : "" }),
      ),
    ),
    el("p", { class: "what" }),
    el("div", { class: "health" }),
    el("h3", {}, "Last lines"),
    el("ol", {
      class: "last-lines",
      tabindex: "0",
      "aria-label": `Last lines of ${plainName(channel.name)}`,
    }),
    el("div", { class: "spec" }),
  );
}

/** Newest first, so that a person who looks once sees it; a line that could not be read says so in words. */
function lastLines(channel) {
  const lines = [...channel.last_lines].reverse();
  return lines.length
    ? lines.map(({ text, read }) =>
        el("li", {}, el("code", {}, text), read ? "" : el("span", {}, " not read")),
      )
    : el("li", { class: "quiet" }, "none yet");
}

function lagRow(channel) {
  if (channel.quantity !== "gauge") return [];
  const lag = known.lags[channel.name];
  if (!lag) return [["Late by", "not found yet: measure true TDC with it"]];
  const when = new Date(lag.at).toLocaleDateString(document.documentElement.lang);
  return [["Late by", `${digits(lag.lagS * 1000, 0)} ms, found ${when}`]];
}

function paintChannel(channel) {
  const node = byId("channels").querySelector(`[data-channel="${CSS.escape(channel.name)}"]`);
  const told = readingOf(channel, bench.now.latest[channel.name], link.state, link.ageMs(), settings.chosen);
  node.querySelector(".reading").classList.toggle("stale", told.stale);
  refill(node.querySelector(".reading-state"), told.kind + told.word, () => state(told.kind, told.word));
  const [value, unit] = node.querySelector(".reading-value").children;
  put(value, told.digits);
  put(unit, told.unit);
  put(node.querySelector(".what"), spoken(withoutName(channel.sentence, channel.name)));
  // Device text is text: whatever bytes came, they are shown and never interpreted.
  refill(node.querySelector(".last-lines"), JSON.stringify(channel.last_lines), () => lastLines(channel));
  refill(node.querySelector(".health"), JSON.stringify(healthRows(channel)), () =>
    facts(healthRows(channel)),
  );
  const rows = [...lagRow(channel), ...specRows(known.specs[channel.name])];
  refill(node.querySelector(".spec"), JSON.stringify(rows), () => facts(rows));
}

function paintRecorder() {
  const { recorder } = bench.now;
  const rows = recorder
    ? [
        ["State", recorder.state],
        ["Waiting to be written", String(recorder.queued)],
        ["Oldest not yet written", age(recorder.unsaved_s)],
      ]
    : [];
  refill(byId("recorder"), JSON.stringify([rows, recorder?.sentence, keptState(bench.now).kind]), () =>
    recorder
      ? [recorder.sentence && el("p", {}, spoken(recorder.sentence)), facts(rows)]
      : keptState(bench.now).kind === "quiet"
        ? el(
            "p",
            {},
            "No instrument is read, so there is nothing to keep. What is typed is kept with its job.",
          )
        : note("stop", spoken("Nothing is being kept: capture is not running.")),
  );
}

function eventLine(event) {
  const when = new Date(event.at).toLocaleTimeString(document.documentElement.lang);
  return el("li", {}, el("span", {}, spoken(event.sentence)), el("span", { class: "quiet small" }, when));
}

function paint() {
  const { channels } = bench.now;
  put(
    byId("bench-sentence"),
    spoken(
      link.state === "live" ? bench.now.benchSentence : "No link to the bench. It comes back by itself.",
    ),
  );
  refill(byId("channels"), channels.map((channel) => channel.name).join(), () =>
    channels.length
      ? channels.map(channelSheet)
      : el("p", { class: "quiet" }, "No instrument is known. Start the bench with a bench file."),
  );
  channels.forEach(paintChannel);
  paintRecorder();
  refill(byId("events"), JSON.stringify(bench.now.events.map((event) => event.at + event.sentence)), () =>
    bench.now.events.map(eventLine),
  );
}

let frame = 0;
function repaint() {
  if (!frame)
    frame = requestAnimationFrame(() => {
      frame = 0;
      paint();
    });
}

async function load() {
  const [told, list] = await Promise.all([
    get("/api/bench"),
    get("/api/measurements?state=finished&limit=300"),
  ]);
  known.specs = Object.fromEntries(told.channels.map((spec) => [spec.name, spec]));
  known.lags = lagsFrom(list.measurements);
  bench.now = { ...bench.now, events: [...told.events].reverse() };
  repaint();
}

/** How far behind the shop's archive is; nothing is said where the bench has none. */
async function paintArchive() {
  const told = await get("/api/archive").catch(() => null);
  if (told) {
    const behind = told.behind_s >= 5 ? ` Behind by ${age(told.behind_s)}.` : "";
    put(byId("archive"), spoken(told.sentence) + behind);
    show(byId("archive"), told.state !== "none");
  }
}

/** Whether the house's broker has the live numbers; nothing is said where the bench file names none. */
async function paintBroker() {
  const told = await get("/api/broker").catch(() => null);
  if (told) {
    put(byId("broker"), spoken(told.sentence));
    show(byId("broker"), told.state !== "none");
  }
}

/** Where other screens find this one: told by the server where it knows, else this page's own address. */
async function paintReach() {
  const reach = await get("/api/addresses").catch(() => null);
  const addresses = reach?.addresses ?? [window.location.origin];
  byId("addresses").replaceChildren(
    el("p", {}, spoken("Open one of these on a phone, a tablet or the wall:")),
    el("ul", {}, ...addresses.map((address) => el("li", {}, el("a", { href: address }, address)))),
    reach?.qr ? el("img", { src: reach.qr, alt: `QR code of ${addresses[0]}`, width: 200, height: 200 }) : "",
  );
  show(byId("reach"), true);
}

bench.addEventListener("change", repaint);
bench.addEventListener("tick", () => link.state !== "live" && repaint());
settings.addEventListener("change", repaint);
load()
  .catch((problem) => byId("notes").replaceChildren(note("stop", spoken(problem.message))))
  .finally(() => {
    document.body.dataset.ready = "yes";
  });
paintReach();
paintArchive();
paintBroker();
setInterval(paintArchive, 5000);
setInterval(paintBroker, 5000);
setUp();
