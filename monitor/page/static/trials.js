// Trials: the verdict first, then the curves over each other, three measures with their intervals, and the figures.

import { overEachOther } from "./hills.js";
import { MOST_MARKS, jarMark } from "./marks.js";
import { scroll } from "./past.js";
import { RiseChart, widthOf } from "./rise.js";
import { asIfAt, capital, day, el, get, jarPath, post, sayLong, svg } from "./words.js";

const measures = () => ({ rise_ratio: ["How high", "×"], equivalent_h_to_peak: [`Hours to the peak, ${asIfAt()}`, " h"], equivalent_h_above_double: [`Hours doubled, ${asIfAt()}`, " h"] });
const figures = () => ({ rise_ratio: "Rise, times", clock_h_to_peak: "Hours to the peak", equivalent_h_to_peak: capital(asIfAt()), clock_h_above_double: "Hours doubled", equivalent_h_above_double: capital(asIfAt()) });
const LATEST = 3;

export async function trialsView(main, live) {
  const readOnly = document.body.hasAttribute("data-read-only");
  main.append(el("h1", { tabindex: -1 }, "Trials"));
  const box = el("div", { class: "view" }), said = el("p", { class: "said", role: "status" });
  main.append(box, said);
  let ends = [];
  async function show(says = "") {
    const trials = await get("api/trials");
    for (const end of ends) end();
    ends = [];
    box.replaceChildren(...trials.filter((one) => one.until_s === null).flatMap((one) => standing(one, ends, act)));
    if (!trials.length) box.append(el("section", { class: "plate" }, el("div", { class: "in" }, el("h2", {}, "No trials yet"), el("p", {}, "A trial compares jars with different flours, waters, ratios or places: which rises higher, sooner or longer, and whether that is more than chance."))));
    if (!readOnly) box.append(beginning(live, act));
    const over = trials.filter((one) => one.until_s !== null);
    if (over.length) box.append(el("h2", {}, "Ended"), ...over.flatMap((one) => standing(one, ends, act)));
    said.textContent = says;
  }
  async function act(what, body, says) {
    try { await post(`api/trials/${what}`, body); await show(says); } catch (error) { said.textContent = `Not done: ${error.message}.`; }
  }
  await show();
  return () => ends.forEach((end) => end());
}

/** A form to begin a trial: its jars and its name. */
function beginning(live, act) {
  const names = [...live.now.jars.map((one) => one.jar), ...live.now.quiet_jars].filter((name, i, all) => all.indexOf(name) === i);
  const chosen = new Set(), name = el("input", { type: "text", maxlength: 60, autocomplete: "off", placeholder: "three flours" });
  const begin = el("button", { type: "button", disabled: true, onclick: () => act("begun", { name: name.value.trim(), jars: names.filter((one) => chosen.has(one)) }, "The trial has begun: every cycle fed from now on counts.") }, "Begin");
  const look = () => { begin.disabled = chosen.size < 2 || !name.value.trim(); };
  name.addEventListener("input", look);
  const chips = names.map((jar) => {
    const chip = el("button", { type: "button", class: "chip", "aria-pressed": "false", onclick: () => {
      if (!chosen.delete(jar) && chosen.size < MOST_MARKS) chosen.add(jar);
      chip.setAttribute("aria-pressed", String(chosen.has(jar)));
      chip.classList.toggle("on", chosen.has(jar));
      look();
    } }, jar);
    return el("li", {}, chip);
  });
  return el("section", { class: "plate", "aria-labelledby": "begin-trial" }, el("div", { class: "in" }, el("h2", { id: "begin-trial" }, "Begin a trial"),
    names.length < 2 ? el("p", { class: "soft" }, "A trial needs two jars or more.") : el("div", { class: "in-turn" },
      el("p", { class: "soft" }, "To be fair: seed from one jar, the same grams and the same water, the same place, swapped now and then. Only what you compare may differ."),
      el("ul", { class: "chips", "aria-label": "Jars" }, ...chips),
      el("div", { class: "row" }, el("label", { class: "wide" }, "What is compared", name), begin))));
}

/** One trial: the verdict, the curves, the confidence intervals, what was not fair, the figures. */
function standing(trial, ends, act) {
  const chart = new RiseChart({ height: (wide) => (wide >= 560 ? 560 : 320) });
  const names = trial.jars.map((one) => one.jar), counts = trial.jars.map((one) => one.cycles);
  const [least, most] = [Math.min(...counts), Math.max(...counts)];
  const when = trial.until_s === null ? `since ${day(trial.since_s)}` : `from ${day(trial.since_s)} to ${day(trial.until_s)}`;
  const counted = most === 0 ? `No complete cycle yet ${when}.` : `${least === most ? least : `${least} to ${most}`} ${most === 1 ? "cycle" : "cycles"} each ${when}.`;
  const cells = (one) => [one.jar, one.cycles, ...Object.keys(figures()).map((m) => one[m]?.toFixed(2))].map((cell) => el("td", {}, `${cell ?? "–"}`));
  const table = el("table", {}, el("thead", {}, el("tr", {}, ...["Jar", "Cycles", ...Object.values(figures())].map((t) => el("th", { scope: "col" }, t)))), el("tbody", {}, ...trial.jars.map((one) => el("tr", {}, ...cells(one)))));
  const known = Object.entries(measures()).map(([key, [title, unit]]) => whiskers(title, unit, trial.jars.map((one) => [one.jar, one.spread?.[key]]))).filter(Boolean);
  ends.push(() => chart.end());
  const drawn = () => Promise.all(names.map((name) => get(`${jarPath(name, "shapes")}?most=${LATEST}`).catch(() => []))).then((shapes) => {
    chart.show(overEachOther(names.map((jar, i) => ({ jar, shapes: shapes[i] })), `${trial.trial}: the latest rises of ${names.join(", ")}. ${trial.verdict}`));
  });
  queueMicrotask(drawn);
  return [el("h2", {}, `${capital(trial.trial)}: ${names.join(", ")}`),
    el("section", { class: "plate", "aria-label": `Trial ${trial.trial}` }, el("div", { class: "in" }, el("p", { class: "verdict" }, settled(trial)), el("p", { class: "soft" }, counted),
      ...trial.remarks.map((remark) => el("p", { class: "soft" }, `${capital(remark)}.`)), document.body.hasAttribute("data-read-only") ? null : ending(trial, act))),
    el("div", { class: "two" },
      el("section", { class: "plate" }, el("div", { class: "in" }, chart.node, el("p", { class: "soft small" }, `Hours since the feeding: the latest ${LATEST} rises of each, the newest bold. ${names.map((name, i) => `${jarMark(i).sign} ${name}`).join("  ")}`))),
      el("section", { class: "plate" }, el("div", { class: "in" }, ...known, el("p", { class: "soft small" }, known.length ? "Mark: the mean. Line: where the truth lies, 19 times in 20." : "After two whole cycles of each jar, their means stand here with the range where the truth lies."),
        el("details", {}, el("summary", {}, "The figures, and what they settle"), scroll(`Trial ${trial.trial}, the figures`, table),
          el("p", {}, trial.verdict), trial.comparisons.length ? el("ul", { class: "plain" }, ...trial.comparisons.map((c) => el("li", {}, c.words))) : null))))];
}

/** Ending or forgetting it has to be confirmed. */
function ending(trial, act) {
  const row = el("div", { class: "row" });
  const button = (words, does) => el("button", { type: "button", class: "other", onclick: does }, words);
  const sure = (asks, does) => { row.replaceChildren(el("p", { class: "wide" }, asks), button("Yes", does), button("No", first)); row.querySelector("button").focus(); };
  function first() {
    row.replaceChildren(...(trial.until_s === null ? [button("End it", () => sure("End it? Cycles fed from now on will not count.", () => act("ended", { name: trial.trial }, `${capital(trial.trial)} has ended; what was counted stays.`)))] : []),
      button("Forget it", () => sure("Forget it? Its jars and their cycles stay.", () => act("forgotten", { name: trial.trial }, `${capital(trial.trial)} is forgotten.`))));
  }
  first();
  return row;
}

/** What is clear so far, in plain words: where one jar's interval touches no other's. */
function settled(trial) {
  const first = (key, most) => {
    const known = trial.jars.filter((one) => one.spread?.[key]).map((one) => [one.jar, ...one.spread[key]]).sort((a, b) => (most ? b[2] - a[2] : a[2] - b[2]));
    if (known.length < 2) return null;
    const [best, next] = known;
    return (most ? best[1] > next[3] : best[3] < next[1]) ? best : null;
  };
  const parts = [], high = first("rise_ratio", true), soon = first("equivalent_h_to_peak", false), long = first("equivalent_h_above_double", true);
  if (high) parts.push(`${high[0]} rises highest, to ${high[2].toFixed(1)} times.`);
  if (soon) parts.push(`${soon[0]} is first at its peak, after ${sayLong(soon[2])}.`);
  if (long) parts.push(`${long[0]} stays doubled longest.`);
  return parts.length ? parts.join(" ") : "Nothing is settled yet: go on feeding them alike.";
}

/** One row per jar: its mark at the mean, a line over the interval; `rows` are [name, [low, mean, high] or nothing]. */
function whiskers(title, unit, rows, wide = 300) {
  const known = rows.filter(([, spread]) => spread);
  if (!known.length) return null;
  const low = Math.min(...known.map(([, [a]]) => a)), high = Math.max(...known.map(([, [, , c]]) => c)), pad = Math.max((high - low) * 0.15, 0.05);
  const left = Math.min(110, 12 + Math.max(...rows.map(([name]) => widthOf(name, 13, true)))), X = (v) => left + (wide - left - 16) * (v - low + pad) / (high - low + 2 * pad);
  const node = svg("svg", { class: "whisker", viewBox: `0 0 ${wide} ${rows.length * 30 + 26}`, width: "100%", role: "img", "aria-label": `${title}: ${known.map(([name, [, mean]]) => `${name} ${mean.toFixed(1)}${unit}`).join(", ")}` });
  const step = [0.1, 0.2, 0.25, 0.5, 1, 2, 5, 10].find((one) => (high - low + 2 * pad) / one <= 5) ?? 20, floor = rows.length * 30 + 4;
  for (let v = Math.ceil((low - pad) / step) * step; v <= high + pad; v += step) {
    node.append(svg("path", { class: "grid", d: `M${X(v)} 4V${floor}` }), svg("text", { class: "lab soft", x: X(v), y: floor + 17, "text-anchor": "middle", "font-size": 13 }, `${Number(v.toFixed(2))}${unit}`));
  }
  rows.forEach(([name, spread], i) => {
    const y = 20 + i * 30, mark = jarMark(i);
    node.append(svg("text", { class: "lab b", x: 0, y: y + 5, "font-size": 13 }, name));
    if (!spread) return;
    const [a, m, b] = spread.map(X);
    node.append(svg("path", { class: `line-${mark.role}`, d: `M${a} ${y}H${b}` }),
      i % 3 === 0 ? svg("circle", { class: `mark-${mark.role}`, cx: m, cy: y, r: 7.5 }) : i % 3 === 1 ? svg("rect", { class: `mark-${mark.role}`, x: m - 7, y: y - 7, width: 14, height: 14 }) : svg("path", { class: `mark-${mark.role}`, d: `M${m - 2.7} ${y - 8}h5.400v5.300h5.300v5.400h-5.300v5.300h-5.400v-5.300h-5.300v-5.400h5.300z` }));
  });
  return el("div", {}, el("h3", {}, title), node);
}
