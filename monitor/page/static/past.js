// Looking back: a jar's months at a glance, its cycles in a list.

import { months } from "./several.js";
import { dayAndClock, el, get, jarPath, sayHours, sayWarmth, sayWeight } from "./words.js";

const PAGE = 60;
export const MOST_OVER = 8;
export const jarLinks = (where, jars, current) => el("ul", { class: "key" }, ...jars.map((jar) =>
  el("li", {}, el("a", { href: `#/${where}/${encodeURIComponent(jar)}`, "aria-current": jar === current ? "page" : null }, jar))));

/** What may be wider than the screen, in a box of its own that scrolls, and says so where it has to. */
export function scroll(label, inside) {
  const hint = el("p", { class: "more-right", "aria-hidden": "true", hidden: true }, "Swipe or scroll sideways for more →");
  const box = el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": label }, inside);
  const look = new ResizeObserver(() => { hint.hidden = box.scrollWidth <= box.clientWidth; });
  look.observe(box);
  look.observe(inside);
  return el("div", {}, hint, box);
}

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
    el("p", {}, past.because), past.advice.length ? el("ul", { class: "plain" }, ...past.advice.map((says) => el("li", {}, says))) : null,
    Object.keys(past.discarded_g).length ? el("p", { class: "soft" }, `Discard so far: ${Object.entries(past.discarded_g).map(([what, g]) => `${sayWeight(g)} ${what}`).join(", ")}.`) : null));

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
      el("td", {}, c.mean_temperature_c === null ? "–" : sayWarmth(c.mean_temperature_c)),
      el("td", { class: "wrap" }, [remark(c), ...new Set(c.notes.map((note) => note.what_words))].filter(Boolean).join(", ")))));
    shown += PAGE;
    more.hidden = shown >= cycles.length;
  }
  show();
  main.append(el("section", { class: "panel", "aria-labelledby": "list" }, el("h2", { id: "list" }, `${past.count} cycles`), chose, lay,
    scroll("Past cycles", el("table", {}, el("thead", {}, el("tr", {}, ...["Choose", "Fed", "Ratio", "Rise", "To the peak", "To the fall", "Warmth", "Remarks"].map((t) => el("th", { scope: "col" }, t)))), body)), more));
  return () => ends.forEach((end) => end());
}

export function remark(c) {
  const words = [];
  if (!c.ended_at_s) words.push("open");
  if (c.rested) words.push("rested");
  if (!c.sure) words.push("feeding not sure");
  if (c.imported) words.push("imported");
  return words.join(", ");
}
