/**
 * Where a lobe's degrees are counted from: its measurement says which true TDC it was told from.
 */

import { get } from "./ask.js";

/** Keep `bench.now.zeroDeg` right as measurements come and go. */
export function followZero(bench, changed) {
  let asked = null;
  bench.addEventListener("change", async () => {
    const { measurement } = bench.now;
    if (measurement?.what !== "lobe" || asked === measurement.id) return;
    asked = measurement.id;
    const known = await get(`/api/measurements/${measurement.id}`).catch(() => null);
    if (!known || bench.now.measurement?.id !== measurement.id) return;
    const zero = known.settings?.tdc_deg ?? null;
    bench.now = { ...bench.now, zeroDeg: zero ?? 0, tdcDeg: zero ?? bench.now.tdcDeg };
    changed();
  });
}
