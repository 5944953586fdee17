// A rise as people see it: the jar is the axis. uPlot draws the canvas (level, readings, past rises, the predicted course);
// the glass, the labels, the ribbon of stages and the flag for now are SVG on top of it, placed by the same scales. Labels
// stand in lanes above and below the curve, never on it.

import { colour, mount } from "./charts.js";
import { glyphAt } from "./glyphs.js";
import { ratios } from "./smooth.js";
import { clock, day, el, house, lengthUnit, svg } from "./words.js";
import { vessel } from "./vessel.js";

const HOUR = 3600, EVERY_H = [1, 2, 3, 4, 6, 12, 24, 48, 168];
const FACE = "ui-sans-serif, -apple-system, 'Segoe UI', Roboto, 'Helvetica Neue', 'Noto Sans', 'Liberation Sans', Arial, sans-serif";
const FAINTER = 0.38; // opacity of past rises to the right of now, where the forecast is to stand out
const PER_DOT_PX = 3; // readings nearer together than this are not drawn twice

const brush = document.createElement("canvas").getContext("2d");
const widths = new Map(); // measured widths of texts: some engines take milliseconds to find a font
export function widthOf(words, size, bold) {
  const key = `${bold ? 700 : 400} ${size}px ${words}`;
  if (!widths.has(key)) {
    if (widths.size > 2000) widths.clear();
    brush.font = `${bold ? 700 : 400} ${size}px ${FACE}`;
    widths.set(key, brush.measureText(words).width);
  }
  return widths.get(key);
}

const text = (x, y, words, names, anchor, size) => svg("text", { x: x.toFixed(1), y: y.toFixed(1), class: names, "text-anchor": anchor, "font-size": size.toFixed(1) }, words);
const path = (d, names, width, extra = {}) => svg("path", { d, class: names, "stroke-width": width, ...extra });

export class RiseChart {
  /** `size` is the text's, px; `height` may be a function of the width. */
  constructor({ size = 13, height = 336, jar = 64 } = {}) {
    this.size = size;
    this.height = height;
    this.jarWidth = jar * size / 13;
    this.box = el("div", { class: "rise", role: "img", "aria-label": "A curve that is on its way" });
    this.node = el("figure", {}, this.box);
    this.over = svg("svg", { class: "over", "aria-hidden": "true" });
    this.glass = vessel();
    this.picture = null;
    this.touched = null;
    this.tip = svg("g", { class: "tip" });
    const feel = (event) => this.feel(event);
    this.box.addEventListener("pointermove", feel);
    this.box.addEventListener("pointerdown", feel);
    this.box.addEventListener("pointerleave", () => { this.touched = null; this.drawTip(); });
  }

  show(picture) {
    this.picture = picture;
    this.box.setAttribute("aria-label", picture.says);
    this.node.dataset.points = picture.level?.time_s.length ?? 0; // how much is drawn, for tests and for whoever inspects the page
    this.node.dataset.top = picture.top.toFixed(2);
    this.node.dataset.last = picture.level?.time_s.at(-1) ?? "";
    this.node.dataset.expected = [picture.peak?.predicted ? Math.round(picture.peak.at_s) : null, picture.falls_s ? Math.round(picture.falls_s) : null].filter(Boolean).join(" ");
    this.node.dataset.marks = marksOf(picture).map((mark) => mark.label).join(", ");
    if (!this.mounted) {
      const height = () => (typeof this.height === "function" ? this.height(this.box.clientWidth) : this.height);
      this.mounted = mount(this.box, height, (width, high) => this.build(width, high));
    }
    this.mounted.draw();
  }

  end() { this.mounted?.end(); this.mounted = null; }

  /** The lanes of a picture this wide and high, px. */
  lanes(width, high) {
    const k = this.size / 13, jar = width < 300 || this.picture.bare ? 0 : this.jarWidth; // bare: a chart of something other than height has no glass
    return { k, jar, left: jar ? 4 + jar + 12 * k : 30 * k, right: 6 * k, top: 46 * k,
      floor: high - (this.picture.ribbon?.length ? 13 : 0) * k - 24 * k - (this.picture.warm ? 44 * k : 0), width, high };
  }

  build(width, high) {
    const p = this.picture, at = this.at = this.lanes(width, high);
    const columns = joined(p);
    const k = at.k, floor = p.floor ?? 0;
    const clear = { points: { show: false }, stroke: "transparent" };
    const chart = new uPlot({
      width, height: high, padding: [at.top, at.right, high - at.floor, at.left], legend: { show: false },
      cursor: { show: false }, axes: [{ show: false }, { show: false }], ms: 1e-3,
      scales: { x: { time: false, range: () => [p.from_s, p.to_s] }, y: { range: () => [floor, p.top] } },
      series: [{}, clear, clear, clear, clear,
        { stroke: colour("crust"), width: 2.2 * k, dash: [0.1 * k, 6 * k], cap: "round", points: { show: false } },
        { stroke: colour("level"), width: 3 * k, points: { show: false }, fill: (u) => this.dough(u) },
        { stroke: "transparent", points: { show: true, size: 2.7 * k, fill: colour("raw"), width: 0 } }],
      bands: [{ series: [1, 2], fill: colour("fan90") }, { series: [3, 4], fill: colour("fan50") }],
      hooks: { drawClear: [(u) => this.behind(u)] },
    }, columns, this.box);
    this.over.setAttribute("width", width);
    this.over.setAttribute("height", high);
    this.over.setAttribute("viewBox", `0 0 ${width} ${high}`);
    this.box.append(this.over);
    this.overlay();
    return chart;
  }

  dough(u) {
    const { top, height } = u.bbox;
    const shade = u.ctx.createLinearGradient(0, top, 0, top + height);
    shade.addColorStop(0, colour("dough1"));
    shade.addColorStop(1, colour("dough2"));
    return shade;
  }

  /** The background: the lines at 1, 2 and 3 times, the past rises, the gaps without readings. */
  behind(u) {
    const p = this.picture, ratio = devicePixelRatio || 1, k = this.at.k * ratio;
    const { left, top, width, height } = u.bbox, ctx = u.ctx;
    const X = (s) => u.valToPos(s, "x", true), Y = (r) => u.valToPos(r, "y", true);
    ctx.save();
    ctx.beginPath(); ctx.rect(left, top - 2 * k, width, height + 4 * k); ctx.clip();
    for (const at of [p.floor ?? 0, ...graduations(p).map(([at]) => at)]) {
      ctx.strokeStyle = colour(at === 1 ? "one" : "grid");
      ctx.lineWidth = k;
      ctx.setLineDash(at === 1 ? [6 * k, 4 * k] : []);
      ctx.beginPath(); ctx.moveTo(left, Y(at)); ctx.lineTo(left + width, Y(at)); ctx.stroke();
    }
    ctx.setLineDash([]);
    if (p.gap) hatch(ctx, X(p.gap[0]), top, X(p.gap[1]) - X(p.gap[0]), height, k);
    const split = p.course && p.now_s ? X(p.now_s) : left + width;
    for (const ghost of p.ghosts ?? []) {
      ctx.strokeStyle = colour("ghost");
      ctx.lineWidth = 1.6 * k;
      for (const [from, to, alpha] of [[left, split, 1], [split, left + width, FAINTER]]) {
        if (to - from < 1) continue;
        ctx.save();
        ctx.globalAlpha = alpha;
        ctx.beginPath(); ctx.rect(from, top, to - from, height); ctx.clip();
        ctx.beginPath();
        ghost.hours.forEach((h, i) => ctx.lineTo(X(p.fed_at_s + h * HOUR), Y(ghost.ratio[i])));
        ctx.stroke();
        ctx.restore();
      }
    }
    for (const one of p.lines ?? []) {
      ctx.strokeStyle = colour(one.role);
      ctx.lineWidth = (one.faint ? 1.6 : 2.8) * k;
      ctx.globalAlpha = one.faint ? FAINTER : 1;
      ctx.lineCap = "round";
      ctx.setLineDash(one.dash.map((part) => part * k));
      ctx.beginPath();
      one.hours.forEach((h, i) => ctx.lineTo(X(p.from_s + h * HOUR), Y(one.ratio[i])));
      ctx.stroke();
    }
    ctx.restore();
  }

  overlay() {
    const p = this.picture, at = this.at, { k, left, right, top, floor, width } = at, size = this.size;
    const low = p.floor ?? 0;
    const X = (s) => left + (s - p.from_s) / (p.to_s - p.from_s) * (width - left - right), Y = (r) => floor - (r - low) / (p.top - low) * (floor - top);
    const parts = [];
    const hidden = p.level_now === null || p.level_now === undefined;
    if (at.jar) {
      this.glass.place({ x: 4, w: at.jar, floor, rim: top - 2, surface: hidden ? null : Y(p.level_now), look: p.look, stroke: 2.2 * k, off: p.lid_is_off });
      parts.push(this.glass.node);
    }
    const high = (p.top - (p.floor ?? 0)) * 1.25 * size / (floor - top); // a number that the surface would cross is put below its line
    for (const [r, label] of graduations(p)) {
      if (r > 0.91 * p.top) continue; // in the neck of the glass
      const on = at.jar && !hidden && r < p.level_now, under = on && p.level_now < r + high;
      if (at.jar) parts.push(path(`M${4 + at.jar} ${Y(r)}h${-26 * k}`, on ? "tick ondough" : "tick", 2 * k));
      parts.push(text(at.jar ? 4 + at.jar - 5 * k : left - 5 * k, Y(r) + (at.jar ? (under ? size * 1.02 : -5 * k) : size * 0.36), label, on ? "lab b ondough" : "lab b", "end", size));
    }
    const stop_s = p.gap ? p.gap[0] : p.now_s;
    if (at.jar && !hidden && stop_s) parts.push(path(`M${4 + at.jar} ${Y(p.level_now)}H${X(stop_s)}`, "sight", 1.6 * k, { "stroke-dasharray": `${3 * k} ${4 * k}` }));
    for (const [from, to] of p.lids ?? []) {
      const s = (from + to) / 2;
      if (s < p.from_s || s > p.to_s) continue;
      const y = Y(near(p.level, s) ?? 1), half = widthOf("lid off", Math.max(13, size * 0.92)) / 2, cx = Math.min(Math.max(X(s), left + half), width - right - half);
      parts.push(path(`M${X(s) - 7 * k} ${y - 11 * k}l${14 * k} ${-6 * k}`, "lidoff", 2 * k), text(cx, y - 23 * k, "lid off", "lab soft halo", "middle", Math.max(13, size * 0.92)));
    }
    for (const note of p.notes ?? []) {
      if (note.at < p.from_s || note.at > p.to_s) continue;
      const mark = glyphAt("note", X(note.at), floor - 11 * k, 15 * k, "notemark");
      mark.append(svg("title", {}, `${clock(note.at)}: ${note.label}`));
      parts.push(mark);
    }
    for (const s of p.feedings ?? []) parts.push(glyphAt("feed", Math.max(X(s), left + 9 * k), floor - 12 * k, 17 * k, "s-feed"));
    if (p.peak) this.peak(parts, X, Y);
    const taken = [];
    const yr = floor + 5 * k, ribbon = p.ribbon?.length ? 13 * k : 0;
    for (const [from, to, look, later] of p.ribbon ?? []) {
      const a = Math.max(X(from), left) + k, b = Math.min(X(to), width - right) - k;
      if (b - a < 2) continue;
      const inset = later ? 0.8 * k : 0;
      parts.push(svg("rect", { x: a + inset, y: yr + inset, width: b - a - 2 * inset, height: ribbon - 2 * inset, rx: 4 * k, class: `bar s-${look}${later ? " later" : ""}`, "stroke-width": later ? 1.5 * k : 0, "stroke-dasharray": later ? `${3 * k} ${2 * k}` : null }));
      if (b - a > 15 * k) parts.push(glyphAt(look, (a + b) / 2, yr + ribbon / 2, 9.5 * k, later ? `s-${look} tinted` : "on"));
    }
    const yt = yr + ribbon + 15 * k;
    if (p.now_s && p.flag !== false) {
      const words = clock(p.now_s), wide = widthOf(words, size, true) + 14 * k, x = X(p.now_s), cx = Math.min(Math.max(x, left + wide / 2), width - wide / 2 - 1);
      parts.push(path(`M${x} ${top - 2 * k}V${yt - 13 * k}`, "nowline", 1.8 * k));
      if (p.at_peak) parts.push(glyphAt("peak", x, Y(p.level_now), 23 * k, "s-peak haloed"));
      else if (!hidden) parts.push(svg("circle", { class: "nowdot", cx: X(stop_s), cy: Y(p.level_now), r: 6 * k, "stroke-width": 2.6 * k }));
      parts.push(svg("rect", { class: "flag", x: cx - wide / 2, y: yt - 13 * k, width: wide, height: 18 * k, rx: 5 * k }), text(cx, yt + 0.6 * k, words, "lab b onflag", "middle", size));
      taken.push([cx - wide / 2, cx + wide / 2]);
    }
    const fits = (a, b) => taken.every(([from, to]) => b + 5 * k < from || a - 5 * k > to);
    if (p.begin_words) {
      const wide = widthOf(p.begin_words, size);
      if (fits(left, left + wide)) { parts.push(text(left, yt, p.begin_words, "lab", "start", size)); taken.push([left, left + wide]); }
    }
    for (const [s, words] of ticks(p, (width - left - right), size)) {
      const wide = widthOf(words, size), cx = Math.min(Math.max(X(s), left + wide / 2), width - wide / 2 - 1);
      if (!fits(cx - wide / 2, cx + wide / 2)) continue;
      parts.push(text(cx, yt, words, "lab soft", "middle", size));
      taken.push([cx - wide / 2, cx + wide / 2]);
    }
    if (p.warm) this.warmth(parts, X, yt);
    for (const one of p.labels ?? []) {
      const s = p.from_s + one.hour * HOUR, half = widthOf(one.words, size, true) / 2;
      parts.push(text(Math.min(Math.max(X(s), left + half), width - right - half), Y(one.ratio) - 10 * k, one.words, "lab b halo", "middle", size));
    }
    (p.note ?? []).forEach((words, i) => parts.push(text((left + width) / 2, Y(0.62) + i * 20 * k, words, "lab soft halo", "middle", size * 1.08)));
    parts.push(this.tip);
    this.over.replaceChildren(...parts);
    this.X = X; this.Y = Y;
    this.drawTip();
  }

  /** The peak: predicted, as a range on the course, or known; its label stands in the lane above. */
  peak(parts, X, Y) {
    const { peak } = this.picture, { k, left, right, width } = this.at, size = this.size;
    const x = X(peak.at_s), y = Y(peak.ratio);
    if (peak.earliest_s) {
      const a = Math.max(X(peak.earliest_s), left), b = Math.min(X(peak.latest_s), width - right);
      parts.push(path(`M${a} ${y}H${b}M${a} ${y - 6 * k}v${12 * k}M${b} ${y - 6 * k}v${12 * k}`, "whisk", 3 * k));
    }
    if (!this.picture.at_peak) parts.push(glyphAt("peak", x, y, (peak.predicted ? 21 : 18) * k, "s-peak"));
    const half = Math.max(widthOf(peak.big, size * 1.15, true), widthOf(peak.small ?? "", size)) / 2;
    const cx = Math.min(Math.max(x, left + half), width - right - half);
    parts.push(text(cx, 15 * k, peak.big, "lab b", "middle", size * 1.15));
    if (peak.small) parts.push(text(cx, 31 * k, peak.small, "lab soft", "middle", size));
    if (y - 14 * k > 36 * k) parts.push(path(`M${x} ${36 * k}V${y - 14 * k}`, "lead", 1.2));
  }

  warmth(parts, X, yt) {
    const { warm } = this.picture, { k, left, right, width } = this.at, size = this.size * 0.92 < 13 ? 13 : this.size * 0.92;
    const low = yt + 33 * k, lo = Math.min(...warm.value), hi = Math.max(...warm.value), span = Math.max(hi - lo, 1);
    const points = warm.time_s.map((s, i) => [X(s), low - (warm.value[i] - lo) / span * 14 * k]);
    parts.push(path(`M${points.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join("L")}`, "warm", 2 * k));
    const wide = widthOf(warm.words, size, true), [x, y] = points[points.length - 1];
    if (left > 60 * k) parts.push(text(left - 8 * k, low - 2 * k, "warmth", "lab soft", "end", size));
    if (x + wide + 8 * k < width - right) parts.push(text(x + 6 * k, y + 4 * k, warm.words, "lab b warmt halo", "start", size));
    else parts.push(text(width - right, low + 12 * k, warm.words, "lab b warmt halo", "end", size));
  }

  feel(event) {
    if (!this.at || !this.picture.value) return;
    const box = this.box.getBoundingClientRect();
    const s = this.picture.from_s + (event.clientX - box.left - this.at.left) / (this.at.width - this.at.left - this.at.right) * (this.picture.to_s - this.picture.from_s);
    this.touched = s >= this.picture.from_s && s <= this.picture.to_s ? s : null;
    this.drawTip();
  }

  /** The values at the place that was touched: a dark flag in the dough, below the curve. */
  drawTip() {
    const p = this.picture, found = this.touched === null || !p?.value ? null : p.value(this.touched);
    if (!found || !this.X) { this.tip.replaceChildren(); return; }
    const { k, left, right, floor, width, top } = this.at, size = this.size, x = this.X(found.at_s), wide = widthOf(found.words, size, true) + 18 * k;
    const bx = Math.min(Math.max(x - wide / 2, left), width - right - wide);
    this.tip.replaceChildren(path(`M${x} ${top}V${floor}`, "nowline thin", 1.2), svg("circle", { class: "nowdot", cx: x, cy: this.Y(found.ratio), r: 5 * k, "stroke-width": 2 * k }),
      svg("rect", { class: "flag", x: bx, y: floor - 44 * k, width: wide, height: 26 * k, rx: 6 * k }), text(bx + wide / 2, floor - 26.5 * k, found.words, "lab b onflag", "middle", size));
  }
}

/** The marks of a picture, in order of time. */
function marksOf(p) {
  return [...(p.begin_words ? [{ at: p.from_s, label: "fed" }] : []), ...(p.peak && !p.peak.predicted ? [{ at: p.peak.at_s, label: "peak" }] : []), ...(p.notes ?? [])].sort((a, b) => a.at - b.at);
}

const TOGETHER_S = 1200; // notes within twenty minutes were made while the jar was open once
/** The marks of notes (not of snoozes, which are about notices): one mark for notes made together. */
export function noteMarks(notes) {
  const groups = [];
  for (const note of notes.filter((one) => one.what !== "snooze")) {
    const last = groups[groups.length - 1];
    if (last && note.at_s - last[0].at_s < TOGETHER_S) last.push(note); else groups.push([note]);
  }
  return groups.map((group) => {
    const words = [...new Set(group.map((note) => note.what_words))];
    return { at: group[0].at_s, label: words.length > 2 ? `${group.length} notes` : words.join(", ") };
  });
}

/** The labels on the glass: their heights and texts. Ratios, lengths if chosen, or the picture's own. */
function graduations(p) {
  if (p.grades) return p.grades;
  const known = p.scale && inLengths.on;
  if (!p.mm && !known) return [1, 2, 3, 4, 5].filter((r) => r < p.top).map((r) => [r, `${r}×`]);
  const unit = house.units.length === "in" ? MM_PER_INCH : 1, top_mm = known ? heightOf(p.scale, p.top) : p.top;
  const step = (unit === 1 ? [5, 10, 20, 25, 50, 100] : [0.25, 0.5, 1, 2]).map((one) => one * unit).find((one) => top_mm / one <= 5) ?? 200;
  return [...Array(10).keys()].map((i) => (i + 1) * step).map((mm) => [known ? ratios(p.scale, [mm])[0] : mm, `${Number((mm / unit).toFixed(2))}`]).filter(([at]) => at < p.top);
}

const MM_PER_INCH = 25.4;
const inLengths = { on: false }; // one choice for all charts
/** A button that labels the glass in mm instead of ratios; `redraw` is called afterwards. */
export function lengthsButton(redraw) {
  const words = () => (inLengths.on ? "in times" : `in ${lengthUnit()}`);
  const button = el("button", { type: "button", class: "plain", onclick: () => { inLengths.on = !inLengths.on; button.textContent = words(); redraw(); } }, words());
  return button;
}

/** The height that a rise ratio belongs to, mm. */
export function heightOf(scale, ratio) {
  const by = scale.rise_ratio, mm = scale.level_mm;
  let k = 1;
  while (k < by.length - 1 && by[k] < ratio) k++;
  return mm[k - 1] + (mm[k] - mm[k - 1]) * (ratio - by[k - 1]) / (by[k] - by[k - 1] || 1);
}

/** Every time at which a line has a point, with each line's value there. */
function joined(p) {
  const level = p.level ?? { time_s: [], ratio: [] }, dots = p.dots ?? [], course = p.course ?? { time_s: [], rise_ratios: [] };
  const x = [...new Set([p.from_s, p.to_s, ...level.time_s, ...dots.map(([s]) => s), ...course.time_s])].sort((a, b) => a - b);
  const place = new Map(x.map((s, i) => [s, i]));
  const empty = () => Array(x.length).fill(undefined); // undefined is no gap, null is
  const out = [x, empty(), empty(), empty(), empty(), empty(), empty(), empty()];
  course.time_s.forEach((s, i) => { const q = course.rise_ratios[i]; [4, 0, 3, 1, 2].forEach((at, column) => { out[column + 1][place.get(s)] = q[at]; }); });
  level.time_s.forEach((s, i) => { out[6][place.get(s)] = level.ratio[i]; });
  let last = -Infinity;
  const apart = (p.to_s - p.from_s) / 400 * PER_DOT_PX;
  for (const [s, ratio] of dots) if (s - last >= apart) { out[7][place.get(s)] = ratio; last = s; }
  return out;
}

function ticks(p, wide, size) {
  const hours = (p.to_s - p.from_s) / HOUR, room = wide / (size * 4.4);
  const every = EVERY_H.find((h) => hours / h <= room) ?? 168, out = [];
  if (p.hours) {
    for (let h = 0; h <= hours + 0.01; h += every) out.push([p.from_s + h * HOUR, h === 0 ? "fed" : `${h} h`]);
    return out;
  }
  // whole hours of the clock on the wall, whatever the zone
  const first = Math.ceil(p.from_s / 900) * 900;
  for (let s = first; s <= p.to_s; s += 900) {
    const words = clock(s), [h, m] = words.split(":").map(Number);
    if (m === 0 && (every >= 24 ? h === 0 : h % every === 0)) out.push([s, h === 0 && hours > 30 ? day(s) : words]);
  }
  return every > 24 ? out.filter((_, i) => i % Math.round(every / 24) === 0) : out;
}

/** The level's value nearest to a time; null beyond it. */
export function near(level, s) {
  if (!level?.time_s.length) return null;
  let best = null;
  for (let i = 0; i < level.time_s.length; i++) {
    if (level.ratio[i] === null || level.ratio[i] === undefined) continue;
    if (best === null || Math.abs(level.time_s[i] - s) < Math.abs(level.time_s[best] - s)) best = i;
  }
  return best === null ? null : level.ratio[best];
}

function hatch(ctx, x, y, wide, high, k) {
  ctx.save();
  ctx.fillStyle = colour("well");
  ctx.fillRect(x, y, wide, high);
  ctx.beginPath(); ctx.rect(x, y, wide, high); ctx.clip();
  ctx.strokeStyle = colour("edge");
  ctx.lineWidth = 2 * k;
  for (let d = -high; d < wide; d += 9 * k) { ctx.beginPath(); ctx.moveTo(x + d, y + high); ctx.lineTo(x + d + high, y); ctx.stroke(); }
  ctx.restore();
}
