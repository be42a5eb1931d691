/**
 * A bench set up from the page: what was heard on the ports, and the bench file that comes of it. Pure.
 */

/** What a found instrument starts with; the encoder counts as it was turned: forward. */
export function foundFrom(heard, known) {
  const port = { port: heard.name, baud: heard.baud, framing: heard.framing, frame: heard.frame };
  if (heard.quantity === "crank")
    return {
      quantity: "crank",
      ...port,
      counts_per_turn: "",
      crank_teeth: 1,
      shaft_teeth: 1,
      direction: heard.last < heard.first ? -1 : 1,
    };
  const number = known.filter((one) => one.quantity === "gauge").length + 1;
  return { quantity: "gauge", ...port, name: `gauge_${number}`, unit: "mm", sign: 1 };
}

/** The instruments with one more; a port found again, or another encoder, takes the place of what was there. */
export function withFound(known, heard) {
  const rest = known.filter(
    (one) => one.port !== heard.name && !(heard.quantity === "crank" && one.quantity === "crank"),
  );
  const before = known.find((one) => one.port === heard.name && one.quantity === heard.quantity);
  return [
    ...rest,
    before
      ? { ...before, ...(heard.quantity === "crank" ? { direction: heard.last < heard.first ? -1 : 1 } : {}) }
      : foundFrom(heard, rest),
  ];
}

/** "dial b" as it may stand in a bench file. */
export function benchName(text) {
  return text
    .trim()
    .toLowerCase()
    .replace(/[^a-z0-9]+/g, "_")
    .replace(/^_+|_+$/g, "")
    .slice(0, 32);
}

/** Body of `POST /api/setup/bench_file`; throws one sentence where something is not said yet. */
export function benchEntry(known) {
  const crank = known.find((one) => one.quantity === "crank");
  const counts = Number(crank?.counts_per_turn);
  if (crank && !(Number.isInteger(counts) && counts > 0))
    throw new Error("Say how many counts the encoder makes in a turn: it stands on the encoder.");
  const bare = ({ quantity, ...rest }) => rest;
  return {
    ...(crank ? { crank: { ...bare(crank), counts_per_turn: counts } } : {}),
    gauges: known
      .filter((one) => one.quantity === "gauge")
      .map((one) => ({ ...bare(one), name: benchName(one.name) })),
  };
}

/** What a port said, in a few words: its first and last value, or why it said nothing. */
export function heardWords(heard) {
  if (!heard.frame) return heard.sentence;
  return heard.first === null ? "nothing in this time" : `${heard.first} → ${heard.last}`;
}
