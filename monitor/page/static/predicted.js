// What plans and bakes share: one question at a time, choosing a moment, and the predicted curve in the form that the chart
// takes.

import { clock, el, weekday, zoned } from "./words.js";

const HOUR = 3600, DAYS = 10;

/** One question at a time: those asked while an answer is on its way wait, and only the latest of them is asked. */
export function latest(ask, failed) {
  let busy = false, again = false;
  return async function go() {
    if (busy) { again = true; return; }
    busy = true;
    try { do { again = false; await ask(); } while (again); } catch (error) { failed(String(error.message)); } finally { busy = false; }
  };
}

/** Day and hour: two inputs, and the time that they give. */
export function momentChooser(now, days_on, at, changed) {
  const named = ["today", "tomorrow"];
  const day = el("select", {}, ...[...Array(DAYS).keys()].map((i) => el("option", { value: i, selected: i === days_on }, named[i] ?? weekday(now + i * 24 * HOUR))));
  const hour = el("input", { type: "time", value: at });
  for (const one of [day, hour]) one.addEventListener("input", changed);
  return {
    day, hour,
    get at_s() {
      const [h, m] = hour.value.split(":").map(Number), s = now + Number(day.value) * 24 * HOUR, here = clock(s).split(":").map(Number);
      return Math.round(s + ((h - here[0]) * 60 + (m - here[1])) * 60 - (s % 60));
    },
  };
}

/** A number that may be left out: its label, and its value or null. */
export function maybeNumber(words, { min, max, placeholder = "any", step = 1, taken = (n) => n }, changed) {
  const input = el("input", { type: "number", class: "grams", min, max, step, inputmode: "decimal", placeholder });
  input.addEventListener("input", changed);
  return { node: el("label", {}, words, input), input, get value() { const n = Number(input.value); return input.value !== "" && n >= min && n <= max ? taken(n) : null; } };
}

/** The part of a predicted curve before the next feeding. */
export function until(course, end_s) {
  if (!course) return null;
  const n = course.time_s.filter((s) => s < end_s).length;
  return { time_s: course.time_s.slice(0, n), rise_ratios: course.rise_ratios.slice(0, n) };
}

/** Predicted curves, one after the other, for `RiseChart.show`; a spoon marks each feeding. `mark` is a moment to point out:
 *  its time and its label. */
export function courseOf(courses, fed_at, says, mark) {
  const from_s = courses[0].time_s[0], to_s = Math.max(courses.at(-1).time_s.at(-1), mark.at_s);
  const time_s = [], rise_ratios = [];
  for (const one of courses) {
    if (time_s.length) { time_s.push(one.time_s[0] - 1); rise_ratios.push([null, null, null, null, null]); }
    time_s.push(...one.time_s);
    rise_ratios.push(...one.rise_ratios);
  }
  const top = Math.max(2.45, ...rise_ratios.map((q) => (q[4] ?? 0) + 0.4));
  const last = courses.at(-1), i = last.time_s.reduce((best, s, k) => (Math.abs(s - mark.at_s) < Math.abs(last.time_s[best] - mark.at_s) ? k : best), 0);
  return { from_s, to_s, now_s: null, fed_at_s: from_s, top, floor: 0, look: "new", level: null, level_now: null, ghosts: [], ribbon: [], course: { time_s, rise_ratios }, begin_words: `fed ${clock(from_s)}`, says, feedings: fed_at,
    peak: { at_s: mark.at_s, ratio: last.rise_ratios[i][2], big: mark.words, small: zoned(mark.at_s).key === zoned(from_s).key ? null : weekday(mark.at_s) } };
}
