// Charts with uPlot: the level of a cycle with its turning points, its temperature beneath. uPlot draws; what is added here
// are labelled lines, ranges, local times and a sentence for whoever cannot see it.

import { clock, day, dayAndClock, degree, el, house, lengthUnit, toLength, toWarmth } from "./words.js";

const CALM = 7; // points whose middle counts for how high the chart must be
export const LEAST_MM = 3; // above the highest of them
const LABEL = "600 12px system-ui, sans-serif", ROW_PX = 15; // of a mark
const AXES_PX = { left: 66, right: 14, top: 6, below: 50 }; // around the picture itself
const TOGETHER_S = 1200; // noted within twenty minutes: while the jar was open
const GLYPHS = { fed: "▲", peak: "◆", fall: "▼", note: "●" };

// the library comes beside everything else: words and buttons need not wait for it
const library = new Promise((done) => {
  if (globalThis.uPlot) done();
  else document.getElementById("chart").addEventListener("load", done);
});

export const colour = (role) => getComputedStyle(document.documentElement).getPropertyValue(`--${role}`).trim();

// a browser takes a good part of a millisecond to say what time it is in a zone: asked for once an hour of the chart
const shifts = new Map();
export function tzDate(s) {
  if (!house.zone) return new Date(s * 1000);
  const hour = Math.floor(s / 3600) * 3600e3;
  if (!shifts.has(hour)) shifts.set(hour, uPlot.tzDate(new Date(hour), house.zone).getTime() - hour);
  return new Date(s * 1000 + shifts.get(hour));
}

/** Charts follow the width of their box and the colours of the day; returns what ends that. */
export function mount(box, height, build) {
  let chart = null, ended = false;
  const draw = () => {
    if (!globalThis.uPlot) { library.then(draw); return; }
    if (ended) return;
    const width = Math.floor(box.clientWidth);
    if (width < 50) return;
    const before = chart;
    chart = build(width, typeof height === "function" ? height() : height, box);
    before?.destroy();
  };
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const watch = new ResizeObserver(() => {
    if (chart && Math.abs(chart.width - Math.floor(box.clientWidth)) < 2) return;
    draw();
  });
  watch.observe(box);
  dark.addEventListener("change", draw);
  return {
    draw,
    chart: () => chart,
    end() { ended = true; watch.disconnect(); dark.removeEventListener("change", draw); chart?.destroy(); chart = null; },
  };
}

export function axes(xValues, yLabel, least = 34) {
  const common = { stroke: colour("ink"), grid: { stroke: colour("edge"), width: 1 }, ticks: { stroke: colour("edge") },
    font: "13px system-ui, sans-serif", labelFont: "13px system-ui, sans-serif" };
  return [
    { ...common, values: xValues, space: 64 },
    { ...common, label: yLabel, labelSize: 20, size: 46, space: least },
  ];
}

export const byClock = (chart, splits) => splits.map((s) => (clock(s) === "00:00" ? day(s) : clock(s)));

/** Marks of what was noted (a snooze is about notices): one for what was noted together. */
export function noteMarks(notes) {
  const groups = [];
  for (const note of notes.filter((one) => one.what !== "snooze")) {
    const last = groups[groups.length - 1];
    if (last && note.at_s - last[0].at_s < TOGETHER_S) last.push(note); else groups.push([note]);
  }
  return groups.map((group) => {
    const words = [...new Set(group.map((note) => note.what_words))];
    return { at: group[0].at_s, kind: "note", label: words.length > 2 ? `${group.length} notes` : words.join(", ") };
  });
}

/** Where labels stand beside their lines, and in which row so that none covers another; null for one out of sight. */
function rowsOf(lines, toX, left, right, wideOf, gap) {
  const ends = [];
  return lines.map(({ x: s, label, dashed }) => {
    const x = toX(s);
    if (x < left - 1 || x > right + 1) return null;
    const wide = wideOf(label), at = Math.min(Math.max(x + gap, left), right - wide);
    let row = ends.findIndex((end) => end < at);
    if (row < 0) row = ends.length;
    if (!dashed) ends[row] = at + wide + 1.5 * gap;
    return { x, at, wide, row };
  });
}

const worded = (marks) => marks.map((m) => ({ x: m.at, label: `${GLYPHS[m.kind] ?? "●"} ${m.label}` })).sort((a, b) => a.x - b.x);

/** Each value's neighbourhood by its middle: of a hand over the jar, or a lid laid aside, nothing is left. */
export function calmed(values, calm = CALM) {
  if (calm < 2 || values.length <= calm) return values;
  return values.slice(calm - 1).map((_, i) => values.slice(i, i + calm).sort((a, b) => a - b)[calm >> 1]);
}

/** The share of a chart's height that the rows of its marks' labels take, at most the half. */
function headroom(marks, [from, to], width, height) {
  const canvas = document.createElement("canvas").getContext("2d");
  canvas.font = LABEL;
  const rows = rowsOf(worded(marks), (s) => (s - from) / (to - from) * width, 0, width, (label) => canvas.measureText(label).width, 4);
  return Math.min((4 + ROW_PX * Math.max(0, ...rows.map((label) => (label ? label.row + 1 : 0)))) / height, 0.5);
}

/** Labelled vertical lines and shaded ranges, drawn over the grid. */
export function marksPlugin(marks, spans) {
  return {
    hooks: {
      drawClear: (u) => {
        const { left, top, width, height } = u.bbox;
        u.ctx.save();
        u.ctx.fillStyle = colour("span");
        const all = spans(), high = height / Math.max(all.length, 1); // one above the other: they overlap in time
        all.forEach((span, i) => {
          const from = Math.max(u.valToPos(span.from, "x", true), left);
          const to = Math.min(u.valToPos(span.to, "x", true), left + width);
          if (to > from) u.ctx.fillRect(from, top + i * high + 2, to - from, high - 4);
        });
        u.ctx.restore();
      },
      draw: (u) => {
        const ratio = devicePixelRatio || 1;
        const { left, top, width, height } = u.bbox;
        u.ctx.save();
        u.ctx.font = LABEL.replace("12px", `${12 * ratio}px`);
        u.ctx.textBaseline = "top";
        u.ctx.textAlign = "left";
        u.ctx.lineWidth = 1.5 * ratio;
        const all = spans(), high = height / Math.max(all.length, 1);
        const lines = [
          ...worded(marks()).map((line) => ({ ...line, from: top, to: top + height })),
          ...all.map((s, i) => ({ x: s.likely, label: s.label, dashed: true, from: top + i * high, to: top + (i + 1) * high })),
        ].sort((a, b) => a.x - b.x);
        const labels = rowsOf(lines, (x) => u.valToPos(x, "x", true), left, left + width, (label) => u.ctx.measureText(label).width, 4 * ratio);
        u.ctx.strokeStyle = colour("crust");
        labels.forEach((label, i) => {
          if (!label) return;
          u.ctx.setLineDash(lines[i].dashed ? [4 * ratio, 4 * ratio] : []);
          u.ctx.beginPath(); u.ctx.moveTo(label.x, lines[i].from); u.ctx.lineTo(label.x, lines[i].to); u.ctx.stroke();
        });
        labels.forEach((label, i) => {
          if (!label) return;
          const { dashed, from, to } = lines[i];
          const y = dashed ? to - 18 * ratio : from + (3 + label.row * ROW_PX) * ratio; // what is expected: below
          u.ctx.fillStyle = colour("card");
          u.ctx.fillRect(label.at - 2 * ratio, y - 1 * ratio, label.wide + 4 * ratio, ROW_PX * ratio);
          u.ctx.fillStyle = colour("crust");
          u.ctx.fillText(lines[i].label, label.at, y);
        });
        u.ctx.restore();
      },
    },
  };
}

/** Columns of the API with a break in the line wherever nothing was heard for `gap_s`. */
function broken(columns, gap_s) {
  const out = { x: [], middle: [], low: [], high: [], warm: [] };
  columns.time_s.forEach((s, i) => {
    if (i && s - columns.time_s[i - 1] > gap_s) {
      out.x.push((s + columns.time_s[i - 1]) / 2);
      for (const key of ["middle", "low", "high", "warm"]) out[key].push(null);
    }
    out.x.push(s);
    out.middle.push(toLength(columns.middle_mm[i]));
    out.low.push(toLength(columns.lowest_mm[i]));
    out.high.push(toLength(columns.highest_mm[i]));
    out.warm.push(toWarmth(columns.temperature_c[i]));
  });
  return out;
}

/** A range around values; with `calm`, around the middles of so many neighbours: a hand over the jar is no level; with
 * `free`, that share of it above them. */
export function padded(values, least, calm = 1, free = 0) {
  const some = values.filter((v) => v !== null);
  if (!some.length) return [0, 1];
  const middles = calmed(some, calm);
  const low = Math.min(...middles), high = Math.max(...middles), pad = Math.max((high - low) * 0.18, least);
  return [low - pad * 0.5, high + Math.max(pad, (high - low + pad * 0.5) * free / (1 - free))];
}

/** The open cycle (or a past one): level above, temperature beneath, one readout for both. */
export class CycleChart {
  constructor(says) {
    this.level = el("div", { class: "chart" });
    this.warm = el("div", { class: "chart" });
    this.readout = el("figcaption", {}, "");
    this.pictures = el("div", { role: "img", "aria-label": says ?? "Level and temperature" }, this.level, this.warm);
    this.node = el("figure", {}, this.pictures, this.readout);
    this.state = null;
    this.marks = [];
    this.spans = [];
    this.until_s = null;
  }

  /** `state` is an answer of the API with `curve` and `gap_s`. */
  show(state, marks, spans, until_s, says) {
    this.state = state;
    this.set(marks, spans, until_s, says);
    if (this.top) this.redraw();
    else this.mount();
  }

  set(marks, spans, until_s, says) {
    this.marks = marks; this.spans = spans; this.until_s = until_s;
    this.node.dataset.expected = spans.map((span) => Math.round(span.likely)).join(" "); // for whoever inspects the page
    this.node.dataset.marks = worded(marks).map((mark) => mark.label.slice(2)).join(", ");
    if (says) this.pictures.setAttribute("aria-label", says);
  }

  /** Put new points into `state`; whether it is still to be shown for the first time. */
  merge(state, columns) {
    const curve = state.curve, keys = Object.keys(curve);
    columns.time_s.forEach((s, i) => {
      const last = curve.time_s.length - 1;
      let place = s > (curve.time_s[last] ?? -Infinity) ? last + 1 : curve.time_s.lastIndexOf(s);
      if (place < 0) return; // older than what is drawn, and thinned: the next full answer has it
      for (const key of keys) curve[key][place] = columns[key][i];
    });
    if (this.state !== state || !this.top) return true;
    this.redraw();
    return false;
  }

  redraw() {
    const data = (this.data = broken(this.state.curve, this.state.gap_s));
    this.count();
    this.top?.chart()?.setData([data.x, data.low, data.high, data.middle]);
    this.below?.chart()?.setData([data.x, data.warm]);
  }

  /** For whoever inspects the page: how far the picture goes. */
  count() {
    this.node.dataset.points = this.data.x.length;
    this.node.dataset.last = this.data.x[this.data.x.length - 1] ?? "";
  }

  end() { this.top?.end(); this.below?.end(); this.top = this.below = null; }

  mount() {
    this.data = broken(this.state.curve, this.state.gap_s);
    this.count();
    const range = () => {
      const x = this.data.x;
      const from = x[0] ?? Date.now() / 1000 - 3600;
      return [from, Math.max(this.until_s ?? 0, (x[x.length - 1] ?? from) + 600, from + 3600)];
    };
    const cursor = { sync: { key: `s${Math.random()}` }, drag: { x: false, y: false }, points: { show: false } };
    const hooks = { setCursor: [(u) => this.read(u)] };
    const plain = { legend: { show: false }, tzDate, cursor, padding: [6, 14, 0, 0] };
    const scale = (values, least, calm, free = () => 0) => ({ x: { range }, y: { range: () => padded(values(), least, calm, free()) } });
    const title = this.state.level_known === false ? `movement, ${lengthUnit()}` : `level, ${lengthUnit()}`;
    this.top = mount(this.level, 230, (width, height, box) => new uPlot({
      ...plain, width, height, hooks, scales: scale(() => this.data.middle, toLength(LEAST_MM), CALM,
        () => headroom(this.marks, range(), width - AXES_PX.left - AXES_PX.right, height - AXES_PX.top - AXES_PX.below)),
      axes: axes(byClock, title),
      series: [{}, { stroke: "transparent", points: { show: false } }, { stroke: "transparent", points: { show: false } },
        { stroke: colour("tide"), width: 2.5, points: { show: false } }],
      bands: [{ series: [2, 1], fill: colour("band") }],
      plugins: [marksPlugin(() => this.marks, () => this.spans)],
    }, [this.data.x, this.data.low, this.data.high, this.data.middle], box));
    this.below = mount(this.warm, 105, (width, height, box) => new uPlot({
      ...plain, width, height, hooks, scales: scale(() => this.data.warm, 1),
      axes: axes(byClock, degree(), 18),
      series: [{}, { stroke: colour("warm"), width: 2, dash: [7, 3], points: { show: false } }],
    }, [this.data.x, this.data.warm], box));
    this.top.draw();
    this.below.draw();
  }

  read(u) {
    const i = u.cursor.idx;
    if (i === null || i === undefined || this.data.middle[i] === null || this.data.middle[i] === undefined) {
      this.readout.textContent = "Level (line, with its lowest and highest readings) and temperature (dashed) since the feeding.";
      return;
    }
    const warm = this.data.warm[i];
    this.readout.textContent = `${dayAndClock(this.data.x[i])}: ${this.data.middle[i].toFixed(lengthUnit() === "in" ? 2 : 0)} ` +
      `${lengthUnit()}${warm === null ? "" : `, ${warm.toFixed(1)} ${degree()}`}`;
  }
}
