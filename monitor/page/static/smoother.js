// What the smoother, which looks at a whole cycle's curve from both ends, says about it: it replaces what was said live.

import { get } from "./words.js";

const known = new Map();

/** Fetches them one after the other, because each costs the daemon's machine some work. Calls `show(cycle, top, i)` for each
 * that exists. */
export async function lookBack(cycles, gone, show) {
  for (const [i, c] of cycles.entries()) {
    const key = `${c.run}:${c.cycle}`;
    try {
      const top = known.get(key) ?? await get(`api/runs/${c.run}/cycles/${c.cycle}/top`);
      if (c.ended_at_s) known.set(key, top);
      if (gone.now) return;
      show(c, top, i);
    } catch { /* what was decided at the time stays */ }
  }
}
