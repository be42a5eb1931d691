// The few assertions that the module tests need, and what runs them in the page.

function shown(value) {
  return JSON.stringify(value, (_, inner) =>
    typeof inner === "number" && !Number.isFinite(inner) ? String(inner) : inner,
  );
}

export function equal(actual, expected, what = "") {
  if (shown(actual) !== shown(expected))
    throw new Error(`${what} expected ${shown(expected)}, got ${shown(actual)}`);
}

export function near(actual, expected, within = 1e-9, what = "") {
  if (!(Math.abs(actual - expected) <= within))
    throw new Error(`${what} expected ${expected} ± ${within}, got ${actual}`);
}

export function ok(value, what = "") {
  if (!value) throw new Error(`${what} does not hold`);
}

export function throws(action, part = "") {
  try {
    action();
  } catch (problem) {
    ok(problem.message.includes(part), `"${problem.message}" names "${part}"`);
    return;
  }
  throw new Error("nothing was thrown");
}

export const pause = (ms) => new Promise((done) => setTimeout(done, ms));

/** Runs every test of a module; gives `[count, failures]`. */
export async function run(tests) {
  const failures = [];
  for (const [name, test] of Object.entries(tests)) {
    document.body.replaceChildren();
    try {
      await test();
    } catch (problem) {
      failures.push(`${name}: ${problem.message}`);
    }
  }
  return [Object.keys(tests).length, failures];
}
