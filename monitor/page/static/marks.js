// The marks of compared jars: a sign, a dash and a colour, always all three, and never the shapes of the stages.

import { svg } from "./words.js";

const MARKS = [
  { sign: "●", role: "j1", dash: [] }, { sign: "■", role: "j2", dash: [9, 5] }, { sign: "✚", role: "j3", dash: [0.1, 6] },
  { sign: "○", role: "j1", dash: [14, 4, 3, 4] }, { sign: "□", role: "j2", dash: [3, 4] }, { sign: "✕", role: "j3", dash: [10, 4, 0.1, 5] },
  { sign: "✱", role: "j1", dash: [2, 6] }, { sign: "◎", role: "j2", dash: [16, 6] },
];
export const MOST_MARKS = MARKS.length;
export const jarMark = (i) => MARKS[i % MARKS.length];

/** A piece of a jar's line, for a legend. */
export function sample(i) {
  const { role, dash } = jarMark(i);
  return svg("svg", { width: 34, height: 12, "aria-hidden": "true" }, svg("path", { class: `line-${role}`, d: "M2 6h30", "stroke-dasharray": dash.join(" ") || null }));
}
