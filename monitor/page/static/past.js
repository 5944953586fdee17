// Looking back: a jar's months at a glance, its cycles in a list, one opened, several over each other.

import { CycleChart, months, overlay, sample } from "./charts.js";
import { clock, dayAndClock, el, get, jarPath, sayHours, sayLength, sayWarmth, sayWeight } from "./words.js";

const PAGE = 60, MOST_OVER = 8;
export const jarLinks = (where, jars, current) => el("ul", { class: "key" }, ...jars.map((jar) =>
  el("li", {}, el("a", { href: `#/${where}/${encodeURIComponent(jar)}`, "aria-current": jar === current ? "page" : null }, jar))));
export const scroll = (label, ...inside) => el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": label }, ...inside);

export async function pastView(main, live, jarName) {
  const ends = [];
  const jars = await get("api/jars");
  const jar = jarName ?? live.now?.jars[0]?.jar ?? jars[0];
  main.append(el("h1", { tabindex: -1 }, jar ? `Past cycles of ${jar}` : "Past cycles"));
  if (!jar) { main.append(el("p", {}, "There is no past yet.")); return () => {}; }
  if (jars.length > 1) main.append(el("nav", { "aria-label": "Jars" }, jarLinks("past", jars, jar)));
  const past = await get(jarPath(jar, "cycles"));
  const cycles = past.cycles;
  const word = { yes: "Fit to bake with.", no: "Not fit to bake with.", "not yet": "Not to be told yet whether it is fit to bake with." };
  main.append(el("section", { class: "panel", "aria-labelledby": "verdict" }, el("h2", { id: "verdict" }, word[past.verdict] ?? past.verdict),
    el("p", {}, past.because), past.advice.length ? el("ul", { class: "plain" }, ...past.advice.map((says) => el("li", {}, says))) : null));

  const closed = cycles.filter((c) => c.rise_ratio !== null || c.hours_to_peak !== null).reverse();
  if (closed.length > 1) {
    const times = closed.map((c) => c.fed_at_s);
    const changes = closed.flatMap((c, i) => (c.ratio && c.ratio !== closed[i - 1]?.ratio ? [{ at: c.fed_at_s, kind: "fed", label: c.ratio }] : []));
    const boxes = [el("div", { class: "chart" }), el("div", { class: "chart" })];
    const say = (key, unit) => { const v = closed.map((c) => c[key]).filter((x) => x !== null); return v.length ? `${Math.min(...v).toFixed(1)} to ${Math.max(...v).toFixed(1)} ${unit}` : "unknown"; };
    main.append(el("section", { class: "panel", "aria-labelledby": "months" }, el("h2", { id: "months" }, "At a glance"),
      el("h3", {}, "How high, in times"), el("div", { role: "img", "aria-label": `Rise ratio of ${closed.length} cycles: ${say("rise_ratio", "times")}` }, boxes[0]),
      el("h3", {}, "Hours to the peak"), el("div", { role: "img", "aria-label": `Hours to the peak of ${closed.length} cycles: ${say("hours_to_peak", "hours")}` }, boxes[1]),
      el("p", { class: "soft" }, "A point a cycle. Where a label stands, it was fed at that ratio (starter:flour:water) from then on.")));
    const charts = [months(boxes[0], times, closed.map((c) => c.rise_ratio), "times", changes), months(boxes[1], times, closed.map((c) => c.hours_to_peak), "hours", [])];
    for (const chart of charts) { chart.draw(); ends.push(() => chart.end()); }
  }

  const chosen = new Set();
  const lay = el("a", { class: "button", href: "#/past", hidden: true }, "Lay over each other");
  const chose = el("p", { role: "status", class: "soft" }, "Choose two to eight cycles to lay them over each other.");
  const tick = (c) => {
    const key = `${c.run}:${c.cycle}`;
    return el("input", { type: "checkbox", "aria-label": `Choose the cycle fed ${dayAndClock(c.fed_at_s)}`, onchange: (event) => {
      if (event.target.checked && chosen.size >= MOST_OVER) { event.target.checked = false; return; }
      if (event.target.checked) chosen.add(key); else chosen.delete(key);
      lay.hidden = chosen.size < 2;
      lay.setAttribute("href", `#/over/${[...chosen].join(",")}`);
      chose.textContent = `${chosen.size} chosen.`;
    } });
  };
  const body = el("tbody");
  let shown = 0;
  const more = el("button", { type: "button", class: "other", onclick: () => show() }, "Show more");
  function show() {
    body.append(...cycles.slice(shown, shown + PAGE).map((c) => el("tr", {}, el("td", {}, tick(c)),
      el("td", {}, el("a", { href: `#/over/${c.run}:${c.cycle}` }, dayAndClock(c.fed_at_s))),
      el("td", {}, c.ratio ?? "–"), el("td", {}, c.rise_ratio === null ? "–" : `${c.rise_ratio.toFixed(2)} ×`),
      el("td", {}, sayHours(c.hours_to_peak)), el("td", {}, sayHours(c.hours_to_fall)),
      el("td", {}, c.mean_temperature_c === null ? "–" : sayWarmth(c.mean_temperature_c)), el("td", {}, remark(c)))));
    shown += PAGE;
    more.hidden = shown >= cycles.length;
  }
  show();
  main.append(el("section", { class: "panel", "aria-labelledby": "list" }, el("h2", { id: "list" }, `${past.count} cycles`), chose, lay,
    scroll("Past cycles", el("table", {}, el("thead", {}, el("tr", {}, ...["Choose", "Fed", "Ratio", "Rise", "To the peak", "To the fall", "Warmth", ""].map((t) => el(t ? "th" : "td", t ? { scope: "col" } : {}, t)))), body)), more));
  return () => ends.forEach((end) => end());
}

function remark(c) {
  const words = [];
  if (!c.ended_at_s) words.push("open");
  if (c.rested) words.push("rested");
  if (!c.sure) words.push("feeding not sure");
  if (c.imported) words.push("imported");
  return words.join(", ");
}

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
      kind === "clock_h" ? "hours since the feeding" : "hours as if at 24 °C");
    chart.draw();
  };
  const radio = (kind, words, on) => el("label", {}, el("input", { type: "radio", name: "hours", value: kind, checked: on, onchange: () => draw(kind) }), ` ${words}`);
  main.append(el("section", { class: "panel" },
    el("fieldset", { class: "choice" }, el("legend", { class: "soft" }, "Count hours"), radio("clock_h", "by the clock", true), radio("equivalent_h", "as if at 24 °C (a warm night counts more)", false)),
    el("div", { role: "img", "aria-label": `Levels of ${cycles.length} cycles above their starting levels; the table below has their numbers` }, box),
    el("ul", { class: "key" }, ...cycles.map((c, i) => el("li", {}, sample(i), `${c.jar}, ${dayAndClock(c.fed_at_s)}`))),
    scroll("The cycles' numbers", el("table", {}, el("thead", {}, el("tr", {}, ...["Cycle", "Ratio", "Rise", "To the peak", "As at 24 °C", "To the fall", "Warmth"].map((t) => el("th", { scope: "col" }, t)))),
      el("tbody", {}, ...cycles.map((c) => el("tr", {}, el("td", {}, el("a", { href: `#/over/${c.run}:${c.cycle}` }, `${c.jar}, ${dayAndClock(c.fed_at_s)}`)), el("td", {}, c.ratio ?? "–"),
        el("td", {}, c.rise_ratio === null ? "–" : `${c.rise_ratio.toFixed(2)} ×`), el("td", {}, sayHours(c.hours_to_peak)), el("td", {}, sayHours(c.equivalent_hours_to_peak)),
        el("td", {}, sayHours(c.hours_to_fall)), el("td", {}, c.mean_temperature_c === null ? "–" : sayWarmth(c.mean_temperature_c)))))))));
  draw("clock_h");
  return () => chart?.end();
}

function oneCycle(main, c) {
  const fact = (word, says) => (says === null ? [] : [el("dt", {}, word), el("dd", {}, says)]);
  const chart = new CycleChart(`Level and temperature of the cycle fed ${dayAndClock(c.fed_at_s)}`);
  const marks = c.marks.map((m) => ({ at: m.at_s, kind: m.kind, label: m.kind === "fall" ? "sinks" : m.kind }));
  const rows = [];
  let last = -1;
  c.curve.time_s.forEach((s, i) => { if (s - last >= 3600) { last = s; rows.push([s, c.curve.middle_mm[i], c.curve.temperature_c[i], c.clock_h[i]]); } });
  main.append(el("h1", { tabindex: -1 }, `${c.jar}, fed ${dayAndClock(c.fed_at_s)}`),
    el("p", {}, el("a", { href: `#/past/${encodeURIComponent(c.jar)}` }, `All cycles of ${c.jar}`)),
    el("section", { class: "panel" }, el("dl", {},
      ...fact("Fed", [c.ratio, c.flour].filter(Boolean).join(", ") || null),
      ...fact("Grams", c.flour_g === null ? null : [c.starter_g, c.flour_g, c.water_g].map((g) => (g === null ? "?" : sayWeight(g))).join(" + ")),
      ...fact("Rise", c.rise_ratio === null ? null : `${c.rise_ratio.toFixed(2)} times its start`),
      ...fact("To the peak", c.hours_to_peak === null ? null : `${sayHours(c.hours_to_peak)} (${sayHours(c.equivalent_hours_to_peak)} as if at 24 °C)`),
      ...fact("To the fall", c.hours_to_fall === null ? null : sayHours(c.hours_to_fall)),
      ...fact("Warmth", c.mean_temperature_c === null ? null : sayWarmth(c.mean_temperature_c)),
      ...fact("Remark", remark(c) || null)), chart.node,
      el("details", {}, el("summary", {}, "In numbers, hour by hour"), scroll("Hour by hour", el("table", {}, el("thead", {}, el("tr", {}, ...["Time", "Hours", "Level", "Warmth"].map((t) => el("th", { scope: "col" }, t)))),
        el("tbody", {}, ...rows.map(([s, mm, warm, h]) => el("tr", {}, el("td", {}, clock(s)), el("td", {}, h.toFixed(1)), el("td", {}, sayLength(mm)), el("td", {}, warm === null ? "–" : sayWarmth(warm)))))))),
      el("p", { class: "soft" }, `Times as they were decided while it happened. jartide review ${c.run}:${c.cycle} looks both ways and gives ranges.`)));
  chart.show(c, marks, [], c.curve.time_s[c.curve.time_s.length - 1] ?? null);
  return () => chart.end();
}
