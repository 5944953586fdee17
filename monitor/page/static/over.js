// One whole cycle: a sentence as its title, its curve, what the jar did, what was fed and noted; or several laid over each
// other.

import { overEachOther } from "./hills.js";
import { MOST_MARKS, sample } from "./marks.js";
import { remark, scroll } from "./past.js";
import { ribbonOf } from "./picture.js";
import { RiseChart, lengthsButton, near, noteMarks } from "./rise.js";
import { ratios, smoothed } from "./smooth.js";
import { lookBack } from "./smoother.js";
import { save, savePicture } from "./snapshot.js";
import { feedingLine } from "./feeding.js";
import { noteLine } from "./notes.js";
import { asIfAt, capital, clock, dayAndClock, degree, el, get, lengthUnit, sayHours, sayLength, sayLong, sayTimes, sayWarmth, stretch, toWarmth } from "./words.js";

const HOUR = 3600;

/** `first` is what is shown first of several: rise, temperature (`temperature_c`) or level (`starting_mm`). */
export async function overView(main, live, which, first = "rise") {
  const keys = which.split(",").slice(0, MOST_MARKS);
  const cycles = await Promise.all(keys.map((key) => { const [run, n] = key.split(":"); return get(`api/runs/${encodeURIComponent(run)}/cycles/${encodeURIComponent(n)}`); }));
  if (cycles.length === 1) return oneCycle(main, cycles[0]);
  const title = `${cycles.length} cycles of ${[...new Set(cycles.map((c) => c.jar))].join(", ")} overlaid`;
  main.append(el("h1", { tabindex: -1 }, title));
  const chart = new RiseChart({ height: (wide) => (wide >= 560 ? 430 : 310) });
  const asked = { hours: "clock_h", shown: first };
  const draw = () => {
    const shapes = { rise: (c) => shapeOf(c, asked.hours), temperature_c: warmthOf, starting_mm: heightsOf }[asked.shown];
    const picture = overEachOther(cycles.map((c) => ({ jar: c.jar, shapes: [shapes(c)] })), `${SHOWN[asked.shown]} of ${cycles.length} cycles over each other; the table below has their numbers`);
    chart.show({ ...picture, ...scaleOf[asked.shown](picture.lines), labels: [] });
  };
  const radio = (name, value, words, on) => el("label", {}, el("input", { type: "radio", name, value, checked: on, onchange: () => { asked[name] = value; draw(); } }), ` ${words}`);
  const body = el("tbody", {}, ...cycles.map((c, i) => el("tr", {}, el("td", {}, sample(i), " ", el("a", { href: `#/over/${c.run}:${c.cycle}` }, `${c.jar}, ${dayAndClock(c.fed_at_s)}`)), el("td", {}, c.ratio ?? "–"),
    el("td", {}, risen(c)), el("td", {}, sayHours(c.hours_to_peak)), el("td", {}, sayHours(c.equivalent_hours_to_peak)),
    el("td", {}, sayHours(c.hours_to_fall)), el("td", {}, c.mean_temperature_c === null ? "–" : sayWarmth(c.mean_temperature_c)))));
  main.append(el("section", { class: "plate" }, el("div", { class: "in" },
    el("fieldset", { class: "choice" }, el("legend", { class: "soft" }, "Show"), radio("shown", "rise", "the rise", first === "rise"), radio("shown", "temperature_c", `warmth, ${degree()}`, first === "temperature_c"), radio("shown", "starting_mm", `level, ${lengthUnit()}`, first === "starting_mm")),
    el("fieldset", { class: "choice" }, el("legend", { class: "soft" }, "Count the hours of a rise"), radio("hours", "clock_h", "by the clock", true), radio("hours", "equivalent_h", `${asIfAt()} (a warm night counts more)`, false)), chart.node,
    el("div", { class: "row" }, el("button", { type: "button", class: "other", onclick: () => savePicture(chart.node, title, cycles.map(nameOf).join("+").slice(0, 100)) }, "Save as a picture")),
    scroll("The cycles' numbers", el("table", {}, el("thead", {}, el("tr", {}, ...["Cycle", "Ratio", "Rise", "To the peak", capital(asIfAt()), "To the fall", "Warmth"].map((t) => el("th", { scope: "col" }, t)))), body)))));
  draw();
  const gone = { now: false };
  lookBack(cycles, gone, (c, top, i) => {
    const row = body.children[i].children;
    if (top.rise_ratio) row[2].textContent = sayTimes(top.rise_ratio[1]);
    if (top.hours_to_peak) row[3].textContent = sayRange(top.hours_to_peak);
    if (top.hours_to_fall) row[5].textContent = sayRange(top.hours_to_fall);
  });
  return () => { gone.now = true; chart.end(); };
}

/** How high it rose; of one that was fed before its peak, how high at least. */
const risen = (c) => (c.rise_ratio !== null ? sayTimes(c.rise_ratio) : c.reached_ratio !== null ? `${sayTimes(c.reached_ratio)} or more` : "–");

/** A cycle's smoothed rise by one of its two clocks. */
function shapeOf(c, kind) {
  const { level } = levelOf(c), hours = new Map(c.curve.time_s.map((s, i) => [s, c[kind][i]]));
  const some = level.time_s.map((s, i) => [hours.get(s), level.ratio[i]]).filter(([h, r]) => h !== undefined && r !== null);
  return { hours: some.map(([h]) => h), ratio: some.map(([, r]) => r) };
}

const SHOWN = { rise: "The rise", temperature_c: "The warmth", starting_mm: "The level" };

/** Its temperature, and the height of its surface in mm, by the clock. */
const lineOf = (some) => { const known = some.filter(([, value]) => value !== null && value !== undefined); return { hours: known.map(([h]) => h), ratio: known.map(([, value]) => value) }; };
const warmthOf = (c) => lineOf(c.clock_h.map((h, i) => [h, toWarmth(c.curve.temperature_c[i] ?? null)]));
const heightsOf = (c) => { const { level, level_mm } = levelOf(c); return lineOf(level.time_s.map((s, i) => [(s - c.fed_at_s) / HOUR, level_mm[i]])); };

/** The range of the chart's axis for each. */
const scaleOf = {
  rise: () => ({}),
  starting_mm: (lines) => ({ mm: true, top: 1.15 * Math.max(...lines.flatMap((one) => one.ratio)) }),
  temperature_c: (lines) => {
    const all = lines.flatMap((one) => one.ratio), floor = Math.floor(Math.min(...all)) - 1, top = Math.ceil(Math.max(...all)) + 2;
    const step = [1, 2, 5, 10, 20].find((one) => (top - floor) / one <= 6) ?? 50;
    return { bare: true, floor, top, grades: [...Array(top - floor).keys()].map((i) => floor + i).filter((at) => at % step === 0).map((at) => [at, `${at}°`]) };
  },
};

function levelOf(c) {
  const inside = c.curve.time_s.map((s, i) => [s, c.curve.middle_mm[i]]).filter(([s]) => s >= c.fed_at_s + 300);
  const smooth = smoothed(inside.map(([s]) => s), inside.map(([, mm]) => mm), c.gap_s, c.lid_off ?? []);
  const start = c.start_mm ?? smooth.level_mm.find((mm) => mm !== null) ?? 1;
  const heights = (levels) => (c.scale ? ratios(c.scale, levels) : levels.map((mm) => (mm === null ? null : mm / Math.abs(start || 1))));
  const dots = heights(smooth.dots.map(([, mm]) => mm));
  return { level_mm: smooth.level_mm, level: { time_s: smooth.time_s, ratio: heights(smooth.level_mm) }, dots: smooth.dots.map(([s], i) => [s, dots[i]]) };
}

const nameOf = (c) => `${c.jar}-${c.run}-${c.cycle}`;
const sayRange = ([low, likely, high]) => `${likely.toFixed(1)} h (${low.toFixed(1)} to ${high.toFixed(1)})`;

function oneCycle(main, c) {
  const gone = { now: false }, last_s = c.curve.time_s.at(-1) ?? c.fed_at_s;
  const title = el("h1", { tabindex: -1 }), how = el("p", { class: "soft small", role: "status" }), facts = el("dl", { class: "facts" });
  const chart = new RiseChart({ height: (wide) => (wide >= 560 ? 430 : 336) });
  const { level, dots } = levelOf(c);
  const mark = (kind) => c.marks.find((one) => one.kind === kind)?.at_s ?? null;
  const jar = { fed: { at_s: c.fed_at_s }, stage: c.rested ? "resting" : "falling", rise_began_s: c.rise_began_s, peak: mark("peak") === null ? null : { at_s: mark("peak") }, peak_ratio: c.rise_ratio, fall: mark("fall") === null ? null : { at_s: mark("fall") }, silent_since_s: null };
  const warm = c.curve.time_s.map((s, i) => [s, c.curve.temperature_c[i]]).filter(([s, t]) => t !== null && s > c.fed_at_s);
  const step = Math.max(1, Math.floor(warm.length / 60)), some = warm.filter((_, i) => i % step === 0 || i === warm.length - 1);
  const ghosts = [];

  function show(top) {
    const rise = top?.rise_ratio?.[1] ?? c.rise_ratio, hours = top?.hours_to_peak?.[1] ?? c.hours_to_peak;
    const peak = top?.peak_at ?? (jar.peak ? { likely_s: jar.peak.at_s } : null), fall = top?.fall_at ?? (jar.fall ? { likely_s: jar.fall.at_s } : null);
    const when = `${c.jar}, ${stretch(c.fed_at_s, last_s)}`;
    title.textContent = rise && hours !== null ? `${when}: ${sayTimes(rise)} in ${sayLong(hours)}` : when;
    facts.replaceChildren(...[["rose", rise ? sayTimes(rise) : risen(c)], ["in", hours === null ? "–" : sayLong(hours)], ["sank from", fall ? clock(fall.likely_s) : "–"]].map(([words, says]) => el("div", {}, el("dt", {}, words), el("dd", {}, says))));
    how.textContent = top?.peak_at || c.smoothed ? "Peak, fall and rise from the smoother, which uses the whole curve; ranges hold 90 %." : "Peak and fall as decided at the time.";
    const height = Math.max(2.45, ...level.ratio.filter((r) => r !== null).map((r) => r + 0.45), ...ghosts.flatMap((g) => g.ratio.map((r) => r + 0.3)));
    const known = { ...jar, peak: peak ? { at_s: peak.likely_s } : null, peak_ratio: rise, fall: fall ? { at_s: fall.likely_s } : null };
    chart.show({
      from_s: c.fed_at_s, to_s: last_s + 0.02 * (last_s - c.fed_at_s), now_s: null, fed_at_s: c.fed_at_s, top: height, floor: 0, scale: c.scale, look: "new", level, dots, level_now: null, ghosts,
      notes: noteMarks(c.notes), lids: (c.lid_off ?? []).filter(([s]) => s > c.fed_at_s + 900), warm: some.length > 3 ? { time_s: some.map(([s]) => s), value: some.map(([, t]) => toWarmth(t)), words: sayWarmth(some.at(-1)[1]) } : null,
      ribbon: level.time_s.length > 1 ? ribbonOf(known, level, last_s, last_s) : [], begin_words: `fed ${clock(c.fed_at_s)}`, falls_s: top?.fall_at?.likely_s,
      peak: peak ? { at_s: peak.likely_s, ratio: near(level, peak.likely_s) ?? rise ?? 1, earliest_s: peak.earliest_s, latest_s: peak.latest_s, predicted: Boolean(peak.earliest_s), big: `peak ${clock(peak.likely_s)}`, small: peak.earliest_s ? `${clock(peak.earliest_s)} to ${clock(peak.latest_s)}` : null } : null,
      says: `${title.textContent}. The curve of the whole cycle; the numbers are below.`,
      value: (s) => { const ratio = near(level, s); return ratio === null ? null : { at_s: s, ratio, words: `${clock(s)}: ${sayTimes(ratio)}` }; },
    });
  }

  const rows = [];
  let before = -1;
  c.curve.time_s.forEach((s, i) => { if (s - before >= HOUR) { before = s; rows.push([s, c.curve.middle_mm[i], c.curve.temperature_c[i], c.clock_h[i]]); } });
  const fed = c.marks.some((one) => one.kind === "fed");
  const more = [[capital(asIfAt()), c.equivalent_hours_to_peak === null ? null : `${sayHours(c.equivalent_hours_to_peak)} to the peak`], ["Warmth", c.mean_temperature_c === null ? null : sayWarmth(c.mean_temperature_c)], ["Remark", [c.reached_ratio === null ? "" : "fed before its peak", remark(c)].filter(Boolean).join(", ") || null]].filter(([, says]) => says);
  const left = el("section", { class: "plate" }, el("div", { class: "in" }, chart.node, c.scale ? el("p", { class: "key" }, lengthsButton(() => chart.mounted?.draw())) : null, how, facts, more.length ? el("dl", {}, ...more.flatMap(([words, says]) => [el("dt", {}, words), el("dd", {}, says)])) : null,
    el("div", { class: "row" }, el("button", { type: "button", class: "other", onclick: () => save(csvOf(c), `${nameOf(c)}.csv`) }, "Save as CSV"), el("button", { type: "button", class: "other", onclick: () => savePicture(chart.node, title.textContent, nameOf(c)) }, "Save as a picture"), el("a", { class: "button other", href: `#/past/${encodeURIComponent(c.jar)}` }, "Compare"))));
  const right = el("div", { class: "side" }, fed || c.notes.length ? el("section", { class: "plate" }, el("div", { class: "in" }, el("h2", {}, "Fed and noted")), el("ul", { class: "rows" }, fed ? feedingLine(c) : null, ...c.notes.map((note) => noteLine(c.jar, note)))) : null,
    el("section", { class: "plate" }, el("div", { class: "in" }, el("details", {}, el("summary", {}, "In numbers, hour by hour"), scroll("Hour by hour", el("table", {}, el("thead", {}, el("tr", {}, ...["Time", "Hours", "Level", "Warmth"].map((t) => el("th", { scope: "col" }, t)))),
      el("tbody", {}, ...rows.map(([s, mm, t, h]) => el("tr", {}, el("td", {}, clock(s)), el("td", {}, h.toFixed(1)), el("td", {}, sayLength(mm)), el("td", {}, t === null ? "–" : sayWarmth(t)))))))))));
  main.append(el("p", {}, el("a", { href: `#/past/${encodeURIComponent(c.jar)}` }, `${c.jar}, all cycles`)), title, el("div", { class: "two" }, left, right));
  show(null);
  lookBack([c], gone, (_, top) => show(top));
  return () => { gone.now = true; chart.end(); };
}

/** The curve as a file, in the columns of a run file. */
function csvOf(c) {
  const lines = [`# jar: ${c.jar}`, "time,level_mm,temperature_c", ...c.curve.time_s.map((s, i) => `${new Date(s * 1000).toISOString().slice(0, 19)}Z,${c.curve.middle_mm[i]},${c.curve.temperature_c[i] ?? ""}`)];
  return new Blob([`${lines.join("\n")}\n`], { type: "text/csv" });
}
