// One past cycle opened, or several over each other; peaks and falls looked back upon as soon as the server has done so.

import { CycleChart, noteMarks } from "./charts.js";
import { MOST_OVER, remark, scroll } from "./past.js";
import { overlay, sample } from "./several.js";
import { asIfAt, capital, clock, dayAndClock, el, get, sayHours, sayLength, sayWarmth, sayWeight } from "./words.js";

export async function overView(main, live, which) {
  const keys = which.split(",").slice(0, MOST_OVER);
  const cycles = await Promise.all(keys.map((key) => { const [run, n] = key.split(":"); return get(`api/runs/${encodeURIComponent(run)}/cycles/${encodeURIComponent(n)}`); }));
  if (cycles.length === 1) return oneCycle(main, cycles[0]);
  main.append(el("h1", { tabindex: -1 }, "Cycles over each other"));
  const box = el("div", { class: "chart" });
  let chart = null;
  const draw = (kind) => {
    chart?.end();
    chart = overlay(box, cycles.map((c) => ({ hours: c[kind], level_mm: c.curve.middle_mm.map((mm) => mm - (c.start_mm ?? c.curve.middle_mm[0])) })),
      kind === "clock_h" ? "hours since the feeding" : `hours ${asIfAt()}`);
    chart.draw();
  };
  const radio = (kind, words, on) => el("label", {}, el("input", { type: "radio", name: "hours", value: kind, checked: on, onchange: () => draw(kind) }), ` ${words}`);
  main.append(el("section", { class: "panel" },
    el("fieldset", { class: "choice" }, el("legend", { class: "soft" }, "Count hours"), radio("clock_h", "by the clock", true), radio("equivalent_h", `${asIfAt()} (a warm night counts more)`, false)),
    el("div", { role: "img", "aria-label": `Levels of ${cycles.length} cycles above their starting levels; the table below has their numbers` }, box),
    el("ul", { class: "key" }, ...cycles.map((c, i) => el("li", {}, sample(i), `${c.jar}, ${dayAndClock(c.fed_at_s)}`))),
    scroll("The cycles' numbers", el("table", {}, el("thead", {}, el("tr", {}, ...["Cycle", "Ratio", "Rise", "To the peak", capital(asIfAt()), "To the fall", "Warmth"].map((t) => el("th", { scope: "col" }, t)))),
      el("tbody", {}, ...cycles.map((c) => el("tr", {}, el("td", {}, el("a", { href: `#/over/${c.run}:${c.cycle}` }, `${c.jar}, ${dayAndClock(c.fed_at_s)}`)), el("td", {}, c.ratio ?? "–"),
        el("td", {}, c.rise_ratio === null ? "–" : `${c.rise_ratio.toFixed(2)} ×`), el("td", {}, sayHours(c.hours_to_peak)), el("td", {}, sayHours(c.equivalent_hours_to_peak)),
        el("td", {}, sayHours(c.hours_to_fall)), el("td", {}, c.mean_temperature_c === null ? "–" : sayWarmth(c.mean_temperature_c)))))))));
  draw("clock_h");
  const gone = { now: false };
  lookBack(cycles, gone, (c, top, i) => {
    const row = main.querySelectorAll("tbody tr")[i].children;
    if (top.hours_to_peak) row[3].textContent = sayRange(top.hours_to_peak);
    if (top.hours_to_fall) row[5].textContent = sayRange(top.hours_to_fall);
  });
  return () => { gone.now = true; chart?.end(); };
}

/** Peaks and falls with their ranges, one after the other: each is a moment of work for the daemon's machine. */
async function lookBack(cycles, gone, show) {
  for (const [i, c] of cycles.entries()) {
    try {
      const top = await get(`api/runs/${c.run}/cycles/${c.cycle}/top`);
      if (gone.now) return;
      show(c, top, i);
    } catch { /* what was decided at the time stays */ }
  }
}

const sayRange = ([low, likely, high]) => `${likely.toFixed(1)} h (${low.toFixed(1)} to ${high.toFixed(1)})`;

function oneCycle(main, c) {
  const fact = (word, says) => (says === null ? [] : [el("dt", {}, word), el("dd", {}, says)]);
  const chart = new CycleChart(`Level and temperature of the cycle fed ${dayAndClock(c.fed_at_s)}`);
  let marks = [...c.marks.map((m) => ({ at: m.at_s, kind: m.kind, label: m.kind === "fall" ? "sinks" : m.kind })), ...noteMarks(c.notes)], spans = [];
  const last_s = c.curve.time_s[c.curve.time_s.length - 1] ?? null;
  // drawn on for a note that no reading follows, but not for one of days later
  const until_s = Math.max(last_s, ...c.notes.map((note) => note.at_s + 600).filter((s) => s < last_s + 0.25 * (last_s - c.fed_at_s)));
  const rows = [];
  let last = -1;
  c.curve.time_s.forEach((s, i) => { if (s - last >= 3600) { last = s; rows.push([s, c.curve.middle_mm[i], c.curve.temperature_c[i], c.clock_h[i]]); } });
  const facts = el("dl"), how = el("p", { class: "soft", role: "status" });
  function say(top) {
    facts.replaceChildren(
      ...fact("Ratio", c.ratio), ...fact("Flour", c.flour || null),
      ...fact("Amounts", c.flour_g === null ? null : [c.starter_g, c.flour_g, c.water_g].map((g) => (g === null ? "?" : sayWeight(g))).join(" + ")),
      ...fact("Rise", c.rise_ratio === null ? null : `${c.rise_ratio.toFixed(2)} times its start`),
      ...fact("To the peak", top?.hours_to_peak ? sayRange(top.hours_to_peak) : c.hours_to_peak === null ? null : sayHours(c.hours_to_peak)),
      ...fact(capital(asIfAt()), c.equivalent_hours_to_peak === null ? null : sayHours(c.equivalent_hours_to_peak)),
      ...fact("To the fall", top?.hours_to_fall ? sayRange(top.hours_to_fall) : c.hours_to_fall === null ? null : sayHours(c.hours_to_fall)),
      ...fact("Could be told", top?.known_at_s ? clock(top.known_at_s) : null),
      ...fact("Warmth", c.mean_temperature_c === null ? null : sayWarmth(c.mean_temperature_c)),
      ...fact("Remark", remark(c) || null));
    how.textContent = top?.peak_at ? "Peak and fall looked back upon; the shaded ranges hold 90 %." : "Peak and fall as they were decided while it happened.";
  }
  say(null);
  main.append(el("h1", { tabindex: -1 }, `${c.jar}, fed ${dayAndClock(c.fed_at_s)}`),
    el("p", {}, el("a", { href: `#/past/${encodeURIComponent(c.jar)}` }, `All cycles of ${c.jar}`)),
    el("section", { class: "panel" }, facts, chart.node, how,
      ...(c.notes.length ? [el("h2", {}, "Noted"), el("ul", { class: "rows" }, ...c.notes.map((note) => el("li", {}, el("strong", {}, note.says), el("span", { class: "soft" }, dayAndClock(note.at_s)))))] : []),
      el("details", {}, el("summary", {}, "In numbers, hour by hour"), scroll("Hour by hour", el("table", {}, el("thead", {}, el("tr", {}, ...["Time", "Hours", "Level", "Warmth"].map((t) => el("th", { scope: "col" }, t)))),
        el("tbody", {}, ...rows.map(([s, mm, warm, h]) => el("tr", {}, el("td", {}, clock(s)), el("td", {}, h.toFixed(1)), el("td", {}, sayLength(mm)), el("td", {}, warm === null ? "–" : sayWarmth(warm))))))))));
  if (c.curve.time_s.length > 1) chart.show(c, marks, spans, until_s);
  const gone = { now: false };
  lookBack([c], gone, (_, top) => {
    say(top);
    if (!top.peak_at) return;
    const turns = [[top.peak_at, "peak", "peak"], [top.fall_at, "fall", "sinks"]].filter(([span]) => span);
    marks = [...marks.filter((m) => !turns.some(([, kind]) => kind === m.kind))];
    spans = turns.map(([span, , label]) => ({ from: span.earliest_s, to: span.latest_s, likely: span.likely_s, label }));
    chart.set(marks, spans, until_s);
    chart.redraw();
  });
  return () => { gone.now = true; chart.end(); };
}
