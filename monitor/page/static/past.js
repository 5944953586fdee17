// Looking back: a jar's verdict, its rises in a list, its month as hills, jars over each other and all jars at a glance.

import { token } from "./glyphs.js";
import { adviceList } from "./guide.js";
import { hill, overEachOther, strip } from "./hills.js";
import { MOST_MARKS, jarMark } from "./marks.js";
import { RiseChart } from "./rise.js";
import { lookBack } from "./smoother.js";
import { dayAndClock, el, get, jarPath, monthOf, sayLong, sayTimes, sayWarmth, sayWeight, zoned } from "./words.js";

const PAGE = 12, SMOOTHED = 8, LATEST = 3; // rows shown at first; rows smoothed at once; curves per jar
const DAYS = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
const ALL_JARS = 12;
const VERDICTS = { yes: ["ok", "is fit to bake with."], no: ["look", "is not fit to bake with yet."], "not yet": ["watching", "is still too new to judge."] };

export const jarLinks = (where, jars, current) => el("ul", { class: "chips" }, ...jars.map((jar) =>
  el("li", {}, el("a", { class: "chip", href: `#/${where}/${encodeURIComponent(jar)}`, "aria-current": jar === current ? "page" : null }, jar))));

/** Puts something that may be wider than the screen into a box that scrolls, with a hint when it does. */
export function scroll(label, inside) {
  const hint = el("p", { class: "more-right", "aria-hidden": "true", hidden: true }, "Swipe or scroll sideways for more →");
  const box = el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": label }, inside);
  const look = new ResizeObserver(() => { hint.hidden = box.scrollWidth <= box.clientWidth; });
  look.observe(box);
  look.observe(inside);
  return el("div", {}, hint, box);
}

const laid = new Map(); // the cycles chosen to be laid over each other, of any jars: "run:cycle" and its words

export const cycleLink = (c) => `#/over/${c.run}:${c.cycle}`;

export async function pastView(main, live, jarName) {
  const ends = [], gone = { now: false };
  const jars = await get("api/jars");
  const jar = jarName ?? live.now?.jars[0]?.jar ?? jars[0];
  main.append(el("h1", { tabindex: -1 }, jar ? `Past rises of ${jar}` : "Past rises"));
  if (!jar) { main.append(el("p", {}, "No past cycles yet.")); return () => {}; }
  if (jars.length > 1) main.append(el("nav", { "aria-label": "Jars" }, jarLinks("past", jars, jar)));
  const past = await get(jarPath(jar, "cycles"));
  const cycles = past.cycles, whole = cycles.filter((c) => (c.rise_ratio ?? c.reached_ratio) !== null);
  const top = el("div", { class: "curves" }), right = el("div", { class: "side" });
  ends.push(over(top, jars, jar, new Map([[jar, cycles]])));
  right.append(verdict(past, jar), list(cycles, jar, gone));
  const shown = el("section", { class: "plate" }, el("div", { class: "in" }, el("h2", {}, `${jar}, by month`), el("p", { class: "soft" }, "Each hill is the first complete rise of a day: how high, how soon. The line marks double. 2.9+: fed before its peak."), months(whole, jar)));
  main.append(el("div", { class: "two past" }, top, right, el("div", { class: "side below" }, shown, jars.length > 1 ? allJars(jars, gone) : null)));
  return () => { gone.now = true; ends.forEach((end) => end()); };
}

/** Several jars' rises laid over each other, chosen by chips. */
function over(main, jars, jar, pasts) {
  const chart = new RiseChart({ height: (wide) => (wide >= 560 ? 400 : 300) });
  const chosen = [jar], shapes = new Map(), said = el("p", { class: "soft", role: "status" });
  const chips = el("ul", { class: "chips" });
  let alive = true;
  async function draw() {
    chips.replaceChildren(...(jars.length > 1 ? jars.map((name) => {
      const i = chosen.indexOf(name);
      return el("li", {}, el("button", { type: "button", class: i < 0 ? "chip" : "chip on", "aria-pressed": String(i >= 0), onclick: () => choose(name) }, i < 0 ? name : `${name} ${jarMark(i).sign}`));
    }) : []));
    for (const name of chosen) {
      if (!pasts.has(name)) pasts.set(name, await get(jarPath(name, "cycles")).then((past) => past.cycles, () => []));
      if (!shapes.has(name)) shapes.set(name, await get(`${jarPath(name, "shapes")}?most=${LATEST}`).catch(() => []));
    }
    if (!alive) return;
    const some = chosen.map((name) => ({ jar: name, shapes: shapes.get(name) }));
    said.textContent = compared(chosen.map((name) => ({ jar: name, cycles: pasts.get(name) })));
    chart.show(overEachOther(some, `The latest rises of ${chosen.join(", ")} from the feeding on. ${said.textContent}`));
  }
  function choose(name) {
    const i = chosen.indexOf(name);
    if (i >= 0 && chosen.length > 1) chosen.splice(i, 1); else if (i < 0 && chosen.length < MOST_MARKS) chosen.push(name);
    draw();
  }
  main.append(el("section", { class: "plate" }, el("div", { class: "in" }, el("h2", {}, "Overlaid"), chips, said, chart.node,
    el("p", { class: "soft small" }, "Hours since the feeding. Bold: the latest of each; faint: the two before."))));
  draw();
  return () => { alive = false; chart.end(); };
}

function compared(some) {
  const tops = some.map(({ jar, cycles }) => {
    const each = cycles.filter((one) => one.ended_at_s && one.rise_ratio && one.hours_to_peak).slice(0, LATEST);
    const mean = (key) => each.reduce((sum, one) => sum + one[key], 0) / each.length;
    return each.length ? { jar, hours: mean("hours_to_peak"), top: mean("rise_ratio") } : null;
  }).filter(Boolean);
  if (!tops.length) return "No complete rise yet.";
  if (tops.length === 1) return `Its latest rises reached ${sayTimes(tops[0].top)}, about ${sayLong(tops[0].hours)} after the feeding.`;
  tops.sort((a, b) => b.top - a.top);
  const highest = tops[0], soonest = [...tops].sort((a, b) => a.hours - b.hours)[0];
  return `${highest.jar} rises highest, to ${sayTimes(highest.top)}; ${soonest === highest ? "it" : soonest.jar} is first at its peak, after about ${sayLong(soonest.hours)}.`;
}

function verdict(past, jar) {
  const [look, words] = VERDICTS[past.verdict] ?? ["watching", past.verdict];
  return el("section", { class: "plate", "aria-labelledby": "verdict" }, el("div", { class: "in" }, el("div", { class: "tile-row" }, token(look, "middling"), el("h2", { id: "verdict" }, `${jar} ${words}`)),
    el("p", { class: "soft" }, past.because), adviceList(past.advice),
    Object.keys(past.discarded_g).length ? el("p", { class: "soft" }, `Discard so far: ${Object.entries(past.discarded_g).map(([what, g]) => `${sayWeight(g)} ${what}`).join(", ")}.`) : null));
}

/** The rises, newest first. The smoother's result replaces what was decided live, even before it has been stored. */
function list(cycles, jar, gone) {
  const lay = el("a", { class: "button", href: "#/past", hidden: true }, "Overlay");
  const chose = el("p", { role: "status", class: "soft small" }), others = el("ul", { class: "chips" });
  const rows = el("ul", { class: "rows" });
  const more = el("button", { type: "button", class: "other", onclick: () => show() }, "Show more");
  let shown = 0;
  const keyOf = (c) => `${c.run}:${c.cycle}`, here = new Set(cycles.map(keyOf));
  function count() {
    lay.hidden = laid.size < 2;
    lay.setAttribute("href", `#/over/${[...laid.keys()].join(",")}`);
    chose.textContent = laid.size ? `${laid.size} chosen.` : `Choose two to ${MOST_MARKS} to overlay, from other jars too.`;
    others.replaceChildren(...[...laid].filter(([key]) => !here.has(key)).map(([key, words]) => el("li", {}, el("button", { type: "button", class: "chip on", "aria-label": `${words}: remove`, onclick: () => { laid.delete(key); count(); } }, `${words} ✕`))));
  }
  const tick = (c) => el("input", { type: "checkbox", checked: laid.has(keyOf(c)), "aria-label": `Choose the cycle fed ${dayAndClock(c.fed_at_s)}`, onchange: (event) => {
    if (event.target.checked && laid.size >= MOST_MARKS) { event.target.checked = false; return; }
    if (event.target.checked) laid.set(keyOf(c), `${c.jar}, ${dayAndClock(c.fed_at_s)}`); else laid.delete(keyOf(c));
    count();
  } });
  async function show() {
    const some = cycles.slice(shown, shown + PAGE), first = shown === 0;
    shown += PAGE;
    more.hidden = shown >= cycles.length;
    const looks = first ? some.filter((c) => c.rise_ratio !== null && c.ended_at_s && !c.smoothed).slice(0, SMOOTHED) : []; // no number before it is final
    const lines = some.map((c) => {
      const words = el("span", { class: "soft" }, looks.includes(c) ? "…" : summary(c)), small = el("span", { class: "hl" });
      rows.append(el("li", {}, tick(c), el("a", { class: "jar-row bare", href: cycleLink(c) }, el("span", { class: "t" }, el("b", {}, dayAndClock(c.fed_at_s)), el("br"), words), small, el("span", { class: "chevron", "aria-hidden": "true" }, "›"))));
      return { c, words, small };
    });
    const shapes = await get(`${jarPath(jar, "shapes")}?of=${some.map((c) => `${c.run}:${c.cycle}`).join(",")}`).catch(() => []);
    if (gone.now) return;
    for (const { c, small } of lines) small.replaceChildren(hill(shapes.find((one) => one.run === c.run && one.cycle === c.cycle)));
    const said = (c, top) => { lines.find((one) => one.c === c).words.textContent = summary(c, top); };
    await lookBack(looks, gone, said);
    for (const { c, words } of lines) if (words.textContent === "…") said(c);
  }
  count();
  show();
  return el("section", { class: "plate", "aria-labelledby": "list" }, el("div", { class: "in" }, el("h2", { id: "list" }, `${cycles.length === 1 ? "One cycle" : `${cycles.length} cycles`}`), chose, others, lay), rows, el("div", { class: "in" }, more));
}

function summary(c, top) {
  const rise = top?.rise_ratio?.[1] ?? c.rise_ratio, hours = top?.hours_to_peak?.[1] ?? c.hours_to_peak;
  return [rise ? `${sayTimes(rise)}${hours === null ? "" : ` in ${sayLong(hours)}`}` : c.reached_ratio ? `fed before its peak, ${sayTimes(c.reached_ratio)} or more` : c.ended_at_s ? "no rise seen" : null, c.mean_temperature_c === null ? null : sayWarmth(c.mean_temperature_c), c.ratio,
    remark(c), ...new Set(c.notes.map((note) => note.what_words))].filter(Boolean).join(", ");
}

export function remark(c) {
  const words = [];
  if (!c.ended_at_s) words.push("still open");
  if (c.rested) words.push("rested");
  if (!c.sure) words.push("feeding not sure");
  if (c.imported) words.push("imported");
  return words.join(", ");
}

/** The latest two months of a jar, one hill per day. */
function months(whole, jar) {
  const box = el("div", { class: "months" });
  const byDay = new Map();
  for (const c of [...whole].reverse()) { // the first complete rise of a day; without one, the first that was cut short
    const { key } = zoned(c.fed_at_s), known = byDay.get(key);
    if (!known || (known.rise_ratio === null && c.rise_ratio !== null)) byDay.set(key, c);
  }
  const latest = [...new Set([...byDay.keys()].map((key) => key.slice(0, 7)))].sort().slice(-2);
  if (!latest.length) return el("p", { class: "soft" }, "No complete rise yet.");
  const cells = [];
  for (const month of latest) {
    const [year, number] = month.split("-").map(Number), days = new Date(Date.UTC(year, number, 0)).getUTCDate(), before = (new Date(Date.UTC(year, number - 1, 1)).getUTCDay() + 6) % 7;
    const grid = el("div", { class: "cal" }, ...DAYS.map((day) => el("div", { class: "h" }, day)), ...Array(before).fill(0).map(() => el("div", { class: "d none" })));
    for (let day = 1; day <= days; day++) {
      const c = byDay.get(`${month}-${String(day).padStart(2, "0")}`);
      const small = el("span", { class: "hl" });
      if (c) cells.push([c, small]);
      grid.append(c ? el("a", { class: "d", href: cycleLink(c), "aria-label": `${day}: ${sayTimes(c.rise_ratio ?? c.reached_ratio)}${c.rise_ratio === null ? " or more" : ""}` }, el("span", {}, `${day} `, el("b", {}, c.rise_ratio === null ? `${c.reached_ratio.toFixed(1)}+` : c.rise_ratio.toFixed(1))), small) : el("div", { class: "d none" }, el("span", { class: "soft" }, `${day}`)));
    }
    box.append(el("div", {}, el("h3", {}, monthOf(year, number)), grid));
  }
  get(`${jarPath(jar, "shapes")}?of=${cells.map(([c]) => `${c.run}:${c.cycle}`).join(",")}`).then((shapes) => {
    for (const [c, small] of cells) small.replaceChildren(hill(shapes.find((one) => one.run === c.run && one.cycle === c.cycle), 44, 30));
  }, () => {});
  return box;
}

/** Every jar's last thirty days as bars, one jar after the other. */
function allJars(jars, gone) {
  const rows = el("ul", { class: "rows" });
  (async () => {
    const pasts = new Map();
    for (const name of jars.slice(0, ALL_JARS)) {
      const past = await get(jarPath(name, "cycles")).catch(() => null);
      if (gone.now) return;
      if (past?.cycles.length) pasts.set(name, past.cycles);
    }
    const newest = Math.max(...[...pasts.values()].map((cycles) => cycles[0].fed_at_s)); // the same last day for all
    for (const [name, cycles] of pasts) {
      const rises = new Map();
      for (const c of cycles) {
        const rise = c.rise_ratio ?? c.reached_ratio, { key } = zoned(c.fed_at_s);
        if (rise) rises.set(key, Math.max(rise, rises.get(key) ?? 0));
      }
      const days = [...Array(30).keys()].map((i) => { const { key } = zoned(newest - (29 - i) * 86400); return [key, rises.get(key) ?? null]; });
      rows.append(strip(name, days));
    }
  })();
  return el("section", { class: "plate" }, el("div", { class: "in" }, el("h2", {}, "All jars, thirty days"), el("p", { class: "soft" }, "How high each rose that day; the lines are 1 and 2 times. A gap: no rise, or in the fridge.")), rows);
}

