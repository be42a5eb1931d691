/**
 * British words by default, American as a screen's own choice.
 *
 * The program speaks British; an American screen has the trade's words exchanged as they are shown. Pure.
 */

const PAIRS = [
  ["valve clearances", "valve lash"],
  ["valve clearance", "valve lash"],
  ["running clearance", "running lash"],
  ["checking clearance", "checking lash"],
  ["vernier pulley", "adjustable cam gear"],
  ["vernier pulleys", "adjustable cam gears"],
  ["timing disc", "degree wheel"],
  ["timing discs", "degree wheels"],
  ["anticlockwise", "counterclockwise"],
  ["inlets", "intakes"],
  ["inlet", "intake"],
  ["followers", "lifters"],
  ["follower", "lifter"],
  ["centres", "centers"],
  ["centred", "centered"],
  ["centre", "center"],
  ["spanner", "wrench"],
  ["millimetres", "millimeters"],
  ["millimetre", "millimeter"],
  ["metres", "meters"],
  ["metre", "meter"],
  ["colour", "color"],
  ["grey", "gray"],
];

const AMERICAN = new Map(PAIRS);
const FINDER = new RegExp(
  `\\b(${PAIRS.map(([british]) => british)
    .sort((a, b) => b.length - a.length)
    .join("|")})\\b`,
  "gi",
);

function likeCase(model, word) {
  const first = model[0];
  return first !== first.toLowerCase() ? word[0].toUpperCase() + word.slice(1) : word;
}

/** Names of instruments as people say them: `dial_a` of the bench file is told as "dial a". */
function withPlainNames(text, names) {
  return names.reduce(
    (told, name) =>
      name.includes("_") && told.includes(name)
        ? told.replace(new RegExp(`\\b${name}\\b`, "g"), plainName(name))
        : told,
    text,
  );
}

/** Sentences of the server are plain letters, "3.4 deg", "1.7 cam deg"; a screen writes degrees as a drawing does. */
function withDegrees(text) {
  return text.includes(" deg")
    ? text.replace(/(\d) deg\b/g, "$1°").replace(/\bcam deg\b/g, "cam degrees")
    : text;
}

/**
 * `text` in the chosen words, `british` or `american`; capitals at the start of a word are kept. `names` are the
 * instruments of the bench, which sentences of the server call by the names of the bench file.
 */
export function say(text, words = "british", names = []) {
  const plain = withDegrees(names.length ? withPlainNames(text, names) : text);
  if (words !== "american") return plain;
  return plain.replace(FINDER, (found) => likeCase(found, AMERICAN.get(found.toLowerCase())));
}

/** "inlet_2" as a person says it: "inlet 2". */
export function plainName(name) {
  return (name ?? "").replaceAll("_", " ");
}

/** What is said of an instrument where its name stands above already: "dial_a: readings come in" loses its name. */
export function withoutName(sentence, name) {
  const rest = sentence.startsWith(`${name}: `) ? sentence.slice(name.length + 2) : sentence;
  return rest.slice(0, 1).toUpperCase() + rest.slice(1);
}

const WHAT = { piston: "True TDC", inlet: "Inlet lobe", exhaust: "Exhaust lobe", valve: "Lobe" };

/** What a gauge on `touches` measures: "True TDC, piston 1", "Inlet lobe 2". */
export function whatOf(touches) {
  const [part, number] = (touches ?? "").split("_");
  if (part === "piston") return `${WHAT.piston}, piston ${number ?? ""}`.trim();
  return WHAT[part] ? `${WHAT[part]} ${number ?? ""}`.trim() : plainName(touches);
}

const originals = new WeakMap();
const SKIPPED = new Set(["SCRIPT", "STYLE", "TEXTAREA", "CODE"]);

/** Exchange the words of everything a page was served with; called again, it can also change them back. */
export function reword(root, words) {
  const walker = document.createTreeWalker(root, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    if (SKIPPED.has(node.parentElement?.tagName) || node.parentElement?.closest("[data-live]")) continue;
    const now = node.nodeValue;
    const known = originals.get(node);
    const source = known && known.shown === now ? known.source : now;
    const shown = say(source, words);
    if (shown !== now) node.nodeValue = shown;
    originals.set(node, { source, shown });
  }
}
