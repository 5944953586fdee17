// The smoothed line through a cycle's readings, and what is left out of it: a lid laid aside, a hand, a sensor's error code.
// Robust first (a running median throws out what stands alone), then a straight line fitted around each point with
// weights that fall off over some minutes (local linear regression: Cleveland 1979, J. Am. Stat. Assoc. 74:829).

const CALM_S = 900, WIDE_S = 420; // half a window of the median; the spread of the weights
const SPREADS = 50; // how many spreads a picture holds at most
const LEAST_MM = 2.5, MADS = 5; // a reading further from the median than this is not dough
const LID_S = 90; // left out before and after a time with the lid off

const middle = (values) => { const sorted = [...values].sort((a, b) => a - b); return sorted[sorted.length >> 1]; };

/** Times and levels (mm), with null where the line breaks; `dots` are the readings that were used. */
export function smoothed(time_s, level_mm, gap_s, lids = []) {
  const kept = [];
  let left = []; // readings just thrown out: if they go on like that, the dough really is there
  const out = { time_s: [], level_mm: [], dots: [] };
  const covered = (s) => lids.some(([from, to]) => s > from - LID_S && s < to + LID_S);
  let low = 0, high = 0;
  for (let i = 0; i < time_s.length; i++) {
    const s = time_s[i], v = level_mm[i];
    if (v === null || v === undefined || covered(s)) continue;
    const half = Math.max(CALM_S, 2.5 * ((time_s[time_s.length - 1] - time_s[0]) / time_s.length || 0));
    while (time_s[low] < s - half) low++;
    while (high < time_s.length && time_s[high] <= s + half) high++;
    const near = level_mm.slice(low, high).filter((one) => one !== null);
    const m = middle(near), spread = middle(near.map((one) => Math.abs(one - m)));
    if (Math.abs(v - m) <= Math.max(LEAST_MM, MADS * spread)) { kept.push([s, v]); left = []; } else left.push([s, v]);
  }
  if (left.length > 1 && Math.abs(left.at(-1)[1] - left.at(-2)[1]) <= 2 * LEAST_MM) kept.push(...left);
  out.dots = kept;
  let from = 0, to = 0;
  const spread_s = Math.max(WIDE_S, kept.length ? (kept[kept.length - 1][0] - kept[0][0]) / SPREADS : 0); // a picture of several days is smoothed more
  kept.forEach(([s], i) => {
    const last = kept[i - 1]?.[0];
    const cut = lids.some(([a, b]) => last !== undefined && last < a && s > b);
    if (last !== undefined && (s - last > gap_s || cut)) { out.time_s.push((s + last) / 2); out.level_mm.push(null); }
    while (kept[from][0] < s - 3 * spread_s) from++;
    while (to < kept.length && kept[to][0] <= s + 3 * spread_s) to++;
    let w0 = 0, wx = 0, wy = 0, wxx = 0, wxy = 0;
    for (let k = from; k < to; k++) {
      const x = kept[k][0] - s, y = kept[k][1], w = Math.exp(-0.5 * (x / spread_s) ** 2);
      w0 += w; wx += w * x; wy += w * y; wxx += w * x * x; wxy += w * x * y;
    }
    const d = w0 * wxx - wx * wx;
    out.time_s.push(s);
    out.level_mm.push(Math.abs(d) < 1e-6 * w0 * w0 ? wy / w0 : (wxx * wy - wx * wxy) / d);
  });
  return out;
}

/** Converts heights to rise ratios by a jar's scale (see jar_view.py); beyond its ends its last pieces are extended. */
export function ratios(scale, levels) {
  const mm = scale.level_mm, by = scale.rise_ratio, n = mm.length;
  return levels.map((level) => {
    if (level === null) return null;
    let k = 1;
    while (k < n - 1 && mm[k] < level) k++;
    return by[k - 1] + (by[k] - by[k - 1]) * (level - mm[k - 1]) / (mm[k] - mm[k - 1]);
  });
}
