// What a jar's chart shows now, made from the server's state of the jar, its readings and its past rises. The curve ends at
// the height of the dough in the jar beside it; a stage's bar ends where the next begins.

import { heightOf, noteMarks } from "./rise.js";
import { ratios, smoothed } from "./smooth.js";
import { clock, sayLength, sayTimes, sayWarmth, toWarmth } from "./words.js";

const HOUR = 3600;
const LEAST_TOP = 2.45, FULL_TOP = 3.1; // rise ratios: the least height of the glass, and its height for a jar that doubles
const NEAR_TOP = 0.98; // share of the rise from which on a jar counts as at its peak (as in the plan's hours to the peak)
const USUAL = { hours: [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13], ratio: [1, 1, 1.08, 1.27, 1.55, 1.85, 2.1, 2.26, 2.32, 2.28, 2.18, 2.05, 1.92, 1.82] };
const EMPTY_H = 13;
const SETTLE_S = 300; // after a feeding: the lid goes on, the surface comes to rest

/** A picture for `RiseChart.show`, or null if there is nothing to draw. */
export function pictureOf(jar, state, ghosts, now_s) {
  const fed = jar.fed;
  if (!state || state.curve.time_s.length < 2 || !fed) return emptyPicture(jar);
  const from_s = fed.at_s, scale = jar.scale;
  const inside = state.curve.time_s.map((s, i) => [s, state.curve.middle_mm[i], i]).filter(([s]) => s >= from_s + (fed.known ? SETTLE_S : 0));
  if (inside.length < 2) return emptyPicture(jar);
  const smooth = smoothed(inside.map(([s]) => s), inside.map(([, mm]) => mm), state.gap_s, jar.lid_off ?? []);
  if (smooth.dots.length < 2) return emptyPicture(jar);
  const base_mm = Math.min(...smooth.level_mm.filter((mm) => mm !== null));
  const heights = (levels) => (scale ? ratios(scale, levels) : levels.map((mm) => (mm === null ? null : mm - (state.level_known ? 0 : base_mm))));
  const level = { time_s: smooth.time_s, ratio: heights(smooth.level_mm) };
  const dotted = heights(smooth.dots.map(([, mm]) => mm));
  if (fed.known && scale) { level.time_s.unshift(from_s); level.ratio.unshift(1); }
  const last_s = level.time_s[level.time_s.length - 1], level_now = level.ratio[level.ratio.length - 1];
  const end_s = jar.face.look === "silent" || jar.silent_since_s ? now_s : Math.max(last_s, Math.min(now_s, last_s + 120));
  const course = scale ? jar.course : null;
  const ahead = jar.forecast ?? {};
  const to_s = Math.max(course?.time_s.at(-1) ?? 0, end_s + Math.max((end_s - from_s) * 0.09, 0.35 * HOUR), from_s + 1.5 * HOUR);
  const mine = scale ? ghosts ?? [] : [];
  const highest = Math.max(...level.ratio.filter((r) => r !== null), ...(course ? course.rise_ratios.map((q) => q[4]) : []), ...mine.flatMap((g) => g.ratio));
  const top = scale ? Math.max(highest >= 1.9 ? FULL_TOP : LEAST_TOP, highest + 0.45) : highest * 1.3 + 5;
  const gap = jar.silent_since_s && end_s - last_s > state.gap_s ? [last_s, end_s] : null;
  const warm = warmthOf(inside.map(([s, , i]) => [s, state.curve.temperature_c[i]]));
  const lids = (jar.lid_off ?? []).filter(([a]) => a > from_s + SETTLE_S * 2);
  const peak = peakOf(jar, level, course, scale);
  return {
    from_s, to_s, now_s: end_s, fed_at_s: from_s, top, floor: 0, mm: !scale, scale, look: jar.face.look, says: sentence(jar, level, scale),
    level, dots: smooth.dots.map(([s], i) => [s, dotted[i]]), level_now, ghosts: mine, course, gap, lids, warm, peak,
    at_peak: jar.face.look === "peak" && peak && !peak.predicted && Math.abs(peak.at_s - end_s) < (to_s - from_s) * 0.025,
    lid_is_off: (jar.lid_off ?? []).some(([, until]) => Math.abs(until - now_s) < 120 && until > last_s),
    notes: noteMarks(jar.notes ?? []), ribbon: ribbonOf(jar, level, end_s, to_s, ahead), falls_s: ahead.fall_at?.likely_s ?? null,
    begin_words: fed.known ? `fed ${clock(from_s)}` : null,
    value: (s) => valueOf(s, level, scale, state, course, end_s),
  };
}

/** An empty glass and an example of what will come. */
export function emptyPicture(jar) {
  const from_s = 0;
  return {
    from_s, to_s: EMPTY_H * HOUR, now_s: null, fed_at_s: from_s, top: FULL_TOP, floor: 0, look: jar.face.look, level: null, level_now: null,
    ghosts: [USUAL], hours: true, ribbon: [], note: ["Its curve will be drawn here:", "a rise, a peak, a slow fall"],
    says: "No curve yet: an empty jar, and an example of a rise, a peak and a slow fall.",
  };
}

function warmthOf(pairs) {
  const known = pairs.filter(([, c]) => c !== null && c !== undefined);
  if (known.length < 3) return null;
  const step = Math.max(1, Math.floor(known.length / 60)), some = known.filter((_, i) => i % step === 0 || i === known.length - 1);
  return { time_s: some.map(([s]) => s), value: some.map(([, c]) => toWarmth(c)), words: sayWarmth(some[some.length - 1][1]) };
}

function peakOf(jar, level, course, scale) {
  if (!scale) return null;
  if (jar.peak) {
    const ratio = jar.peak_ratio ?? 1;
    return { at_s: jar.peak.at_s, ratio, big: `peak ${clock(jar.peak.at_s)}`, small: sayTimes(ratio) };
  }
  const span = jar.forecast?.peak_at;
  if (!span || !course) return null;
  let i = course.time_s.findIndex((s) => s >= span.likely_s);
  if (i < 0) i = course.time_s.length - 1;
  return { predicted: true, at_s: Math.max(span.likely_s, course.time_s[0]), ratio: course.rise_ratios[i][2], earliest_s: Math.max(span.earliest_s, course.time_s[0]), latest_s: span.latest_s,
    big: `peak ${span.words}`, small: `${span.range_words}${jar.silent_since_s ? ", a guess" : ""}` };
}

/** Bars of [from, to, look, predicted]. */
export function ribbonOf(jar, level, now_s, to_s, ahead = {}) {
  const from_s = jar.fed.at_s, rose_s = jar.rise_began_s, bars = [];
  if (jar.stage === "resting" || jar.stage === "away" || jar.stage === "unknown" || jar.stage === "flat") return [[from_s, now_s, jar.stage === "unknown" ? "settling" : jar.stage === "away" ? "settling" : jar.stage, false]];
  const stop_s = jar.silent_since_s ? Math.max(...level.time_s) : now_s;
  const top = jar.peak ? firstAt(level, 1 + ((jar.peak_ratio ?? 1) - 1) * NEAR_TOP) : null;
  const peaked_s = jar.peak ? Math.min(top ?? jar.peak.at_s, jar.peak.at_s) : null;
  const turns = [["settling", from_s], ["rising", rose_s], ["peak", peaked_s], ["sinking", jar.fall?.at_s ?? null]].filter(([, s]) => s !== null && s !== undefined);
  turns.forEach(([look, s], i) => { const until = turns[i + 1]?.[1] ?? stop_s; if (until > s) bars.push([s, until, look, false]); });
  const here = turns[turns.length - 1][0];
  const peak = ahead.peak_at?.likely_s, fall = ahead.fall_at?.likely_s;
  let at = Math.max(now_s, stop_s);
  const go = (look, until) => { if (until > at + 1) { bars.push([at, Math.min(until, to_s), look, true]); at = until; } };
  if (!peak && !fall) return bars;
  const flat_s = peak && fall ? Math.max(0.4 * (fall - peak), 600) : 0;
  if (here === "settling" && peak) go("settling", from_s + (peak - from_s) * 0.18);
  if ((here === "settling" || here === "rising") && peak) go("rising", peak - flat_s);
  if (here !== "sinking" && fall) { go("peak", fall); go("sinking", to_s); }
  return bars;
}

function firstAt(level, ratio) {
  const i = level.ratio.findIndex((one) => one !== null && one >= ratio);
  return i < 0 ? null : level.time_s[i];
}

function valueOf(s, level, scale, state, course, end_s) {
  if (s > end_s && course) {
    const i = course.time_s.findIndex((one) => one >= s), q = course.rise_ratios[i < 0 ? course.time_s.length - 1 : i];
    return { at_s: s, ratio: q[2], words: `${clock(s)}: about ${sayTimes(q[2])} (${q[0].toFixed(1)} to ${q[4].toFixed(1)})` };
  }
  let best = null;
  level.time_s.forEach((one, i) => { if (level.ratio[i] !== null && (best === null || Math.abs(one - s) < Math.abs(level.time_s[best] - s))) best = i; });
  if (best === null || Math.abs(level.time_s[best] - s) > 3600) return null;
  const ratio = level.ratio[best], mm = scale ? heightOf(scale, ratio) : ratio;
  return { at_s: level.time_s[best], ratio, words: `${clock(level.time_s[best])}: ${scale ? `${sayTimes(ratio)}, ` : ""}${sayLength(mm)}` };
}

function sentence(jar, level, scale) {
  const now = level.ratio[level.ratio.length - 1];
  const parts = [jar.fed.known ? `${jar.jar} since its feeding at ${clock(jar.fed.at_s)}` : `${jar.jar} since it has been watched`];
  if (scale) parts.push(`it stands at ${sayTimes(now)}`);
  if (jar.peak) parts.push(`its peak was at ${clock(jar.peak.at_s)}`);
  if (jar.fall) parts.push(`it has been sinking since ${clock(jar.fall.at_s)}`);
  if (jar.forecast?.peak_at) parts.push(`its peak is expected ${jar.forecast.peak_at.words}`);
  return `${parts.join(", ")}.`;
}
