// Charts of many cycles: several over each other, and a jar's months.

import { LEAST_MM, axes, colour, marksPlugin, mount, padded, tzDate } from "./charts.js";
import { day, lengthUnit, svg, toLength } from "./words.js";

const DASHES = [[], [10, 5], [2, 4], [12, 4, 2, 4], [6, 6], [16, 6], [1, 7], [8, 3, 1, 3, 1, 3]];
const ROLES = ["tide", "crust", "warm", "ink"];
const DAY_S = 86400;

/** Several cycles over each other: `cycles` are [{label, hours, level_mm}], levels above their start. */
export function overlay(box, cycles, xLabel) {
  return mount(box, 320, (width, height, into) => {
    const tables = cycles.map((c) => [c.hours, c.level_mm.map(toLength)]);
    const data = tables.length > 1 ? uPlot.join(tables) : tables[0];
    const both = axes((u, splits) => splits.map((h) => `${h}`), `above its start, ${lengthUnit()}`);
    both[0].label = xLabel; both[0].labelSize = 22;
    return new uPlot({
      width, height, legend: { show: false }, padding: [8, 30, 0, 0], axes: both,
      scales: { x: { time: false }, y: { range: () => padded(tables.flatMap(([, levels]) => levels), toLength(LEAST_MM), 7) } },
      cursor: { drag: { x: false, y: false }, points: { show: false } },
      series: [{}, ...cycles.map((c, i) => ({
        stroke: colour(ROLES[i % ROLES.length]), width: 2.5, dash: DASHES[i % DASHES.length], spanGaps: true, points: { show: false },
      }))],
    }, data, into);
  });
}

/** The line sample beside a cycle's name in an overlay: the same dash and colour. */
export function sample(i) {
  return svg("svg", { viewBox: "0 0 48 12", "aria-hidden": "true" },
    svg("path", { d: "M1 6h46", stroke: `var(--${ROLES[i % ROLES.length]})`, "stroke-dasharray": DASHES[i % DASHES.length].join(" ") || null }));
}

/** A jar's months: one value a cycle as points, with a label wherever the ratio fed has changed. */
export function months(box, times_s, values, label, changes) {
  return mount(box, 190, (width, height, into) => new uPlot({
    width, height, legend: { show: false }, tzDate, padding: [8, 30, 0, 0],
    cursor: { drag: { x: false, y: false }, points: { show: false } },
    scales: { y: { range: () => padded(values, 0.2) } },
    axes: days(label),
    series: [{}, { stroke: colour("tide"), width: 1, dash: [2, 5], points: { show: true, size: values.length > 200 ? 4 : 7, fill: colour("tide") } }],
    plugins: [marksPlugin(() => changes, () => [])],
  }, [times_s, values], into));
}

/** Axes whose lines stand at whole days, weeks or months. */
function days(label) {
  const both = axes((u, splits) => splits.map((s) => day(s)), label);
  both[0].incrs = [1, 2, 7, 14, 28, 91, 182, 364].map((n) => n * DAY_S);
  both[0].splits = (u, axis, low, high, incr) => {
    const out = [];
    for (let s = Math.ceil(low / DAY_S) * DAY_S; s <= high; s += incr) out.push(s);
    return out;
  };
  return both;
}
