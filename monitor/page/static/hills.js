// Small pictures of whole rises: a hill for a row of a list or a day of a month, and curves laid over each other.

import { jarMark } from "./marks.js";
import { el, svg } from "./words.js";

const SPAN_H = 21, BASE = 0.8, TOP = 3.5; // of a hill: wide enough to tell two feedings of a day apart

/** A shape as a hill; empty if nothing was seen. */
export function hill(shape, wide = 92, high = 38) {
  const node = svg("svg", { class: "hill", viewBox: `0 0 ${wide} ${high}`, preserveAspectRatio: "none", "aria-hidden": "true" });
  const X = (h) => wide * Math.min(h, SPAN_H) / SPAN_H, Y = (r) => high - (high - 2) * (Math.min(Math.max(r, BASE), TOP) - BASE) / (TOP - BASE);
  node.append(svg("path", { class: "grid", d: `M0 ${Y(2)}H${wide}` }));
  if (!shape || shape.hours.length < 2) return node;
  const points = shape.hours.map((h, i) => [h, shape.ratio[i]]).filter(([h]) => h <= SPAN_H).map(([h, r]) => `${X(h).toFixed(1)} ${Y(r).toFixed(1)}`);
  const d = `M${points.join("L")}`;
  node.append(svg("path", { class: "dougharea", d: `${d}L${points.at(-1).split(" ")[0]} ${high}L0 ${high}Z` }), svg("path", { class: "level", "stroke-width": 1.8, d }));
  return node;
}

/** Curves over each other from the feeding on, for `RiseChart.show`: `jars` are [{jar, shapes}], the newest shape bold. */
export function overEachOther(jars, says) {
  const lines = [], labels = [];
  let longest = 6, top = 2.45;
  jars.forEach(({ jar, shapes }, i) => {
    const mark = jarMark(i);
    shapes.forEach((shape, k) => {
      if (shape.hours.length < 2) return;
      longest = Math.max(longest, shape.hours.at(-1));
      top = Math.max(top, ...shape.ratio.map((r) => r + 0.45));
      lines.unshift({ ...shape, role: mark.role, dash: mark.dash, faint: k > 0 });
    });
    const newest = shapes.find((shape) => shape.hours.length > 1);
    if (!newest) return;
    const at = newest.ratio.indexOf(Math.max(...newest.ratio));
    labels.push({ hour: newest.hours[at], ratio: newest.ratio[at], words: `${jar} ${mark.sign}` });
  });
  longest = Math.min(longest, 26);
  labels.sort((a, b) => a.hour - b.hour);
  labels.forEach((label, i) => { // stacked where two peaks are close together
    const near = labels.slice(0, i).filter((one) => Math.abs(one.hour - label.hour) < longest * 0.28 && Math.abs(one.ratio - label.ratio) < 0.22);
    if (near.length) label.ratio = Math.max(...near.map((one) => one.ratio)) + 0.24;
    top = Math.max(top, label.ratio + 0.3);
  });
  return { from_s: 0, to_s: longest * 3600, now_s: null, fed_at_s: 0, top, floor: 0, look: "new", level: null, level_now: null, ghosts: [], ribbon: [], hours: true, lines, labels, says };
}

/** One jar's month as bars: the height is the rise, a gap means no rise. `days` are [day, rise or null, rested]. */
export function strip(name, days, wide = 700) {
  const step = wide / days.length, Y = (r) => 46 - 44 * (Math.min(r, TOP) - BASE) / (TOP - BASE);
  const node = svg("svg", { class: "strip", viewBox: `0 0 ${wide} 48`, role: "img", "aria-label": `${name}: ${days.filter((one) => one[1]).length} days with a rise` },
    svg("path", { class: "grid", d: `M0 ${Y(2)}H${wide}` }), svg("path", { class: "grid one", d: `M0 ${Y(1)}H${wide}` }));
  days.forEach(([, rise], i) => {
    if (rise) node.append(svg("rect", { class: "day", x: i * step + 1.5, y: Y(rise), width: step - 3, height: 46 - Y(rise), rx: 2 }), svg("path", { class: "level", "stroke-width": 1.8, d: `M${i * step + 1.5} ${Y(rise) + 0.8}h${step - 3}` }));
  });
  return el("li", { class: "strip-row" }, el("b", {}, name), node);
}
