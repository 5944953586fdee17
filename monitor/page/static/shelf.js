// Many jars at a glance: all on one shelf at the same scale of rise, the most urgent first, and a row for each with a small
// curve. Small curves start just below a ratio of 1: only a chart with a jar starts at the jar's floor.

import { glyph, glyphAt, tone, token } from "./glyphs.js";
import { widthOf } from "./rise.js";
import { ratios, smoothed } from "./smooth.js";
import { el, svg } from "./words.js";
import { vessel } from "./vessel.js";

const TOP = 3, MOST = 9, SOON_S = 300; // highest rise ratio shown; jars on one shelf; sooner than this reads "any moment"
const SPARK = { wide: 104, high: 40, base: 0.75, top: 2.7 };

export const jarLink = (name) => `#/jar/${encodeURIComponent(name)}`;

/** The shelf as one drawing; `jars` come in order of urgency. */
export function shelf(jars, wide, desk) {
  const some = jars.slice(0, Math.max(2, Math.min(MOST, Math.floor(wide / 62))));
  const size = desk ? 17 : 13, high = desk ? 300 : 218, pad = size * 1.9, step = (wide - pad) / some.length, jw = Math.min(desk ? 92 : 44, step * 0.6);
  const floor = high - size * 3.7, rim = size * 3.9, Y = (r) => floor - (floor - rim) * r / TOP;
  const node = svg("svg", { class: "shelf", viewBox: `0 0 ${wide} ${high}`, width: wide, height: high, role: "group", "aria-label": "All jars, neediest first" });
  const add = (...parts) => node.append(...parts);
  some.forEach((jar, i) => { if (jar.face.look === "feed") add(svg("rect", { class: "hot", x: pad + step * i + 2, y: 0, width: step - 4, height: high, rx: size })); });
  for (const r of [1, 2]) {
    add(svg("path", { class: r === 1 ? "grid one" : "grid", "stroke-width": size / 11, d: `M${pad} ${Y(r)}H${wide}` }),
      svg("text", { class: "lab soft", x: pad - size * 0.35, y: Y(r) + size * 0.35, "text-anchor": "end", "font-size": size }, `${r}×`));
  }
  some.forEach((jar, i) => {
    const cx = pad + step * (i + 0.5), look = jar.face.look, hot = look === "feed";
    const link = svg("a", { href: jarLink(jar.jar), class: hot ? "one hot-one" : "one", "aria-label": `${jar.jar}: ${jar.face.word}, ${jar.face.row}` });
    const glass = vessel();
    const ratio = jar.rise_ratio ?? (look === "settling" ? 1 : null); // just fed: its starting level is not measured yet
    glass.place({ x: cx - jw / 2, w: jw, floor, rim, surface: ratio === null ? null : Y(Math.min(ratio, TOP)), look, stroke: Math.max(2, size / 7) });
    link.append(svg("rect", { class: "touch", x: pad + step * i + 2, y: 0, width: step - 4, height: high, rx: size }), glass.node,
      glyphAt(look, cx, size * 1.6, size * 2, hot ? "hotink" : `s-${tone(look)} tinted`),
      svg("text", { class: "lab b", x: cx, y: high - size * 2.05, "text-anchor": "middle", "font-size": size * 1.12 }, shortened(jar.jar, step - 6, size * 1.12)),
      svg("text", { class: hot ? "lab b" : "lab soft", x: cx, y: high - size * 0.75, "text-anchor": "middle", "font-size": size }, shortened(widthOf(jar.face.short, size, hot) <= step - 4 ? jar.face.short : jar.face.short.split(" ").at(-1), step - 4, size)));
    add(link);
  });
  add(svg("path", { class: "board", d: `M0 ${floor + size * 0.35}H${wide}`, "stroke-width": size * 0.42 }));
  return node;
}

function shortened(words, room, size) {
  if (widthOf(words, size, true) <= room) return words;
  let cut = words;
  while (cut.length > 1 && widthOf(`${cut}…`, size, true) > room) cut = cut.slice(0, -1);
  return `${cut.trim()}…`;
}

/** A jar's line in the list; `curves` may hold its curve. */
export function jarRow(jar, curve) {
  const face = jar.face;
  return el("li", {}, el("a", { class: "jar-row", href: jarLink(jar.jar) }, token(face.look, "middling"),
    el("span", { class: "t" }, el("b", {}, jar.jar), "\u2002", el("span", {}, face.word.slice(0, 1).toLowerCase() + face.word.slice(1)), el("br"), el("span", { class: "soft" }, face.row)),
    curve ? spark(jar, curve) : el("span"), el("span", { class: "chevron", "aria-hidden": "true" }, "›")));
}

/** A small curve, its end marked in the stage's colour, with the predicted course behind it. */
function spark(jar, curve) {
  const { wide, high, base, top } = SPARK, node = svg("svg", { class: "spark", viewBox: `0 0 ${wide} ${high}`, width: wide, height: high, "aria-hidden": "true" });
  if (!jar.scale || !jar.fed) return node;
  const inside = curve.curve.time_s.map((s, i) => [s, curve.curve.middle_mm[i]]).filter(([s]) => s >= jar.fed.at_s + 300);
  if (inside.length < 3) return node;
  const line = smoothed(inside.map(([s]) => s), inside.map(([, mm]) => mm), Infinity, jar.lid_off ?? []);
  const level = ratios(jar.scale, line.level_mm);
  const from_s = jar.fed.at_s, to_s = Math.max(jar.course?.time_s.at(-1) ?? 0, line.time_s.at(-1) + 900);
  const X = (s) => wide * (s - from_s) / (to_s - from_s), Y = (r) => high - 2 - (high - 6) * (Math.min(Math.max(r, base), top) - base) / (top - base);
  const points = line.time_s.map((s, i) => (level[i] === null ? null : `${X(s).toFixed(1)} ${Y(level[i]).toFixed(1)}`)).filter(Boolean);
  const d = `M${points.join("L")}`, end_s = line.time_s.at(-1);
  node.append(svg("path", { class: "grid", d: `M0 ${Y(2)}H${wide}` }), svg("path", { class: "grid one", d: `M0 ${Y(1)}H${wide}` }));
  if (jar.course) {
    const q = jar.course.rise_ratios, t = jar.course.time_s;
    node.append(svg("path", { class: "fan90", d: `M${[...t.map((s, i) => `${X(s)} ${Y(q[i][4])}`), ...t.map((s, i) => `${X(s)} ${Y(q[i][0])}`).reverse()].join("L")}Z` }));
  }
  node.append(svg("path", { class: "dougharea", d: `${d}L${X(end_s)} ${high - 2}L${X(line.time_s[0])} ${high - 2}Z` }), svg("path", { class: "level", "stroke-width": 2.2, d }),
    svg("circle", { class: `end s-${tone(jar.face.look)}`, cx: X(end_s), cy: Y(level.at(-1)), r: 3.6 }));
  return node;
}

/** What is coming for all jars, soonest first. */
export function comingMoments(jars, now_s, clockOf) {
  const said = (s) => (s - now_s < SOON_S ? "soon" : clockOf(Math.round(s / 300) * 300));
  const ranged = (span) => (span.latest_s < now_s ? "" : span.range_words);
  const moments = [];
  for (const jar of jars) {
    const ahead = jar.forecast ?? {};
    if (jar.face.look === "feed") moments.push([0, "now", "feed", `Feed ${jar.jar}`, ""]);
    if (ahead.peak_at) moments.push([ahead.peak_at.likely_s, said(ahead.peak_at.likely_s), "peak", `${jar.jar} at its peak`, ranged(ahead.peak_at)]);
    else if (ahead.fall_at) moments.push([ahead.fall_at.likely_s, said(ahead.fall_at.likely_s), "sinking", `${jar.jar} begins to sink`, ranged(ahead.fall_at)]);
  }
  moments.sort((a, b) => a[0] - b[0]);
  return el("ul", { class: "rows coming" }, ...moments.slice(0, 6).map(([, when, look, what, range]) =>
    el("li", {}, el("b", { class: "when" }, when), el("span", { class: `s-${look} tinted` }, glyph(look, 22)), el("span", { class: "t" }, `${what} `, el("span", { class: "soft" }, range)))));
}
