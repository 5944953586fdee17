// The next feeding: two sliders and an answer at once; or a bake, backwards from the hour of mixing. Either way the curve
// that the plan foretells is drawn. While one answer is under way only the latest wish waits.

import { calendarFold } from "./calendar.js";
import { glyph } from "./glyphs.js";
import { jarLinks } from "./past.js";
import { RiseChart } from "./rise.js";
import { clock, dayAndClock, el, get, jarPath, post, sayLong, sayWarmth, sayWeight, zoned } from "./words.js";

const HOUR = 3600;

export async function planView(main, live, jarName) {
  const jars = live.now ? [...live.now.jars.map((j) => j.jar), ...live.now.quiet_jars] : [];
  const jar = jarName ?? jars[0];
  main.append(el("h1", { tabindex: -1 }, jar ? `Next feeding of ${jar}` : "Next feeding"));
  if (!jar) return () => {};
  if (jars.length > 1) main.append(el("nav", { "aria-label": "Jars" }, jarLinks("plan", jars, jar)));
  const box = el("div"), kinds = [["Next feeding", nextFeeding], ["Bake", bake]];
  const seg = el("div", { class: "seg", role: "group", "aria-label": "What to plan" });
  let end = () => {}, choice = 0;
  async function choose(i) {
    const mine = ++choice, here = el("div", { class: "view" }); // of its own: whoever taps twice soon sees the second only
    end();
    end = () => {};
    box.replaceChildren(here);
    for (const [k, one] of [...seg.children].entries()) one.setAttribute("aria-pressed", String(k === i));
    const done = await kinds[i][1](here, jar, live);
    if (mine === choice) end = done; else done();
  }
  seg.append(...kinds.map(([words], i) => el("button", { type: "button", onclick: () => choose(i) }, words)));
  main.append(seg, box, calendarFold(jar));
  await choose(0);
  return () => end();
}

/** What is asked while an answer is under way waits, and only the latest of it. */
function latest(ask, failed) {
  let busy = false, again = false;
  return async function go() {
    if (busy) { again = true; return; }
    busy = true;
    try { do { again = false; await ask(); } while (again); } catch (error) { failed(String(error.message)); } finally { busy = false; }
  };
}

async function nextFeeding(main, jar, live) {
  let first;
  try { first = await get(jarPath(jar, "plan")); } catch (error) { main.append(el("p", { class: "bad" }, String(error.message))); return () => {}; }
  const wish = { target_h: first.target_h, temperature_c: first.temperature_c, keep_g: null };
  const grams = el("p", { class: "grams-big" }), facts = el("dl"), because = el("p"), caution = el("p", { class: "note" }), instead = el("div");
  const chart = new RiseChart({ height: (wide) => (wide >= 560 ? 380 : 300) });
  const ask = latest(async () => show(await get(`${jarPath(jar, "plan")}?${new URLSearchParams(Object.entries(wish).filter(([, v]) => v !== null))}`)), (says) => { because.textContent = says; });
  function show(plan) {
    grams.textContent = `Keep ${sayWeight(plan.starter_g)}, add ${sayWeight(plan.flour_g)} flour and ${sayWeight(plan.water_g)} water`;
    because.textContent = plan.because;
    instead.replaceChildren(...(plan.instead.length ? [el("h2", {}, "What you can do"), el("ul", {}, ...plan.instead.map((one) => el("li", {}, one[0].toUpperCase() + one.slice(1))))] : []));
    caution.textContent = plan.caution ?? "";
    caution.hidden = !plan.caution;
    because.className = plan.met ? "" : "bad";
    const at = (h) => dayAndClock(live.now_s() + h * HOUR), span = ([low, likely, high]) => `${at(likely)}, after ${sayLong(likely)} (${sayLong(low)} to ${sayLong(high)})`;
    facts.replaceChildren(...[["Ratio", plan.ratio], ["Peak", span(plan.hours_to_peak)], ["Sinks", span(plan.hours_to_fall)],
      ["Known from", plan.cycles ? `${plan.cycles === 1 ? "one cycle" : `${plan.cycles} cycles`} of this starter` : "the usual starter: none of its own cycles yet"]]
      .flatMap(([word, says]) => [el("dt", {}, word), el("dd", {}, says)]));
    if (plan.course) chart.show(courseOf([plan.course], [], `If ${jar} is fed now: its peak about ${at(plan.hours_to_peak[1])}`));
  }
  function slider(key, words, low, high, step, say) {
    const out = el("output", {}, say(wish[key])), input = el("input", { type: "range", min: low, max: high, step, value: wish[key] });
    input.addEventListener("input", () => { wish[key] = Number(input.value); out.textContent = say(wish[key]); ask(); });
    return el("label", { class: "slider" }, `${words}: `, out, input);
  }
  const keep = el("input", { type: "number", class: "grams", min: 1, max: 1000, inputmode: "numeric", placeholder: "any" });
  keep.addEventListener("input", () => { const g = Number(keep.value); wish.keep_g = keep.value === "" || !(g >= 1) ? null : g; ask(); });
  main.append(el("section", { class: "plate", "aria-label": "Wishes" }, el("div", { class: "in" },
    slider("target_h", "To be fed again after", 4, 48, 0.5, (h) => `${h} h`),
    slider("temperature_c", "Warmth where it stands", 10, 34, 0.5, sayWarmth),
    el("label", { class: "slider" }, "Starter to keep, g (empty: whatever fits) ", keep))),
  el("div", { class: "two" }, el("section", { class: "plate", "aria-live": "polite", "aria-label": "The plan" }, el("div", { class: "in" }, grams, caution, because, instead, facts)),
    el("section", { class: "plate" }, el("div", { class: "in" }, el("h2", {}, "If fed now"), chart.node, el("p", { class: "soft small" }, "Dotted: the likely course; shaded: half, and nine in ten, of what may come.")))));
  show(first);
  return () => chart.end();
}

async function bake(main, jar, live) {
  const now = live.now_s(), day = el("select", {}, ...[...Array(5).keys()].map((i) => el("option", { value: i, selected: i === 1 }, i === 0 ? "today" : i === 1 ? "tomorrow" : dayAndClock(now + i * 24 * HOUR).split(",")[0])));
  const hour = el("input", { type: "time", value: "09:00" }), flour = el("input", { type: "number", class: "grams", min: 50, max: 50000, value: 900, inputmode: "numeric" }), levain = el("input", { type: "number", class: "grams", min: 1, max: 100, value: 20, inputmode: "numeric" });
  const title = el("h2"), steps = el("ul", { class: "steps" }), because = el("p", { class: "soft" }), chart = new RiseChart({ height: (wide) => (wide >= 560 ? 380 : 300) });
  const after = el("section", { class: "plate" }, el("div", { class: "in" }, el("h2", {}, "What it foretells"), chart.node, el("p", { class: "soft small" }, "Dotted: the likely course; shaded: half, and nine in ten, of what may come.")));
  const wanted = () => {
    const [h, m] = hour.value.split(":").map(Number), at = now + Number(day.value) * 24 * HOUR, here = clock(at).split(":").map(Number);
    return at + ((h - here[0]) * 60 + (m - here[1])) * 60 - (at % 60);
  };
  const step = (look, when, range, words, more) => el("li", {}, el("span", { class: "when" }, when, el("small", {}, range)), el("span", { class: `dot s-${look} tinted` }, glyph(look, 24)), el("div", {}, el("b", {}, words), el("p", { class: "soft" }, more)));
  const query = () => new URLSearchParams({ at_s: Math.round(wanted()), flour_g: flour.value, levain_pct: levain.value || 20 });
  const kept = el("p", { class: "soft", role: "status" }), keep = el("button", { type: "button", class: "other", onclick: async () => {
    try { await post(`${jarPath(jar, "bake")}?${query()}`, {}); kept.textContent = "Kept: its feedings stand in the calendar, and jartide bake plans it anew."; } catch (error) { kept.textContent = `Not kept: ${error.message}`; }
  } }, "Keep this bake");
  const ask = latest(async () => {
    if (!hour.value || !(Number(flour.value) >= 50)) return;
    kept.textContent = "";
    const made = await get(`${jarPath(jar, "bake")}?${query()}`);
    const sum = (key) => made.feedings.reduce((all, one) => all + (one[key] ?? 0), 0);
    title.textContent = `${made.feedings.length === 1 ? "One feeding" : `${made.feedings.length} feedings`}: ${sayWeight(sum("flour_g"))} flour, ${sayWeight(sum("water_g"))} water`;
    steps.replaceChildren(...made.feedings.map((one) => step("feed", one.words, "", `Feed: ${[one.starter_g, one.flour_g, one.water_g].map((g) => sayWeight(g ?? 0)).join(" + ")}`, `From ${one.from}.${one.discard_g ? ` ${sayWeight(one.discard_g)} are left over.` : ""}`)),
      step("peak", made.ready.words, made.ready.range_words, `At its peak: take ${sayWeight(made.take_g)} for the dough`, `Keep ${sayWeight(made.keep_g)} back for the next feeding.`));
    because.replaceChildren(made.because, ...made.instead.flatMap((one) => [el("br"), `Instead: ${one}.`]), ...made.cautions.flatMap((one) => [el("br"), one]));
    because.className = made.met ? "soft" : "bad";
    const courses = made.feedings.map((one, i) => until(one.course, made.feedings[i + 1]?.at_s ?? Infinity)).filter(Boolean);
    after.hidden = !courses.length;
    if (courses.length) chart.show(courseOf(courses, made.feedings.map((one) => one.at_s), title.textContent, made.at_s));
  }, (says) => { title.textContent = ""; steps.replaceChildren(); because.className = "bad"; because.textContent = says; after.hidden = true; });
  for (const one of [day, hour, flour, levain]) one.addEventListener("input", ask);
  main.append(el("section", { class: "plate" }, el("div", { class: "in say" }, el("label", {}, "I mix the dough", day), el("label", {}, "at", hour), el("label", {}, "with flour, g", flour), el("label", {}, `and ripe ${jar}, % of it`, levain))),
    el("div", { class: "two" }, after, el("section", { class: "plate", "aria-live": "polite" }, el("div", { class: "in" }, title, steps, because, "readOnly" in document.body.dataset ? null : keep, kept))));
  await ask();
  return () => chart.end();
}

function until(course, end_s) {
  if (!course) return null;
  const n = course.time_s.filter((s) => s < end_s).length;
  return { time_s: course.time_s.slice(0, n), rise_ratios: course.rise_ratios.slice(0, n) };
}

/** Courses foretold, one after the other, for `RiseChart.show`; the spoon stands where it is fed. */
function courseOf(courses, fed_at, says, mixed_s) {
  const from_s = courses[0].time_s[0], to_s = Math.max(courses.at(-1).time_s.at(-1), mixed_s ?? 0);
  const time_s = [], rise_ratios = [];
  for (const one of courses) {
    if (time_s.length) { time_s.push(one.time_s[0] - 1); rise_ratios.push([null, null, null, null, null]); }
    time_s.push(...one.time_s);
    rise_ratios.push(...one.rise_ratios);
  }
  const top = Math.max(2.45, ...rise_ratios.map((q) => (q[4] ?? 0) + 0.4));
  const last = courses.at(-1), i = last.rise_ratios.reduce((best, q, k) => (q[2] > last.rise_ratios[best][2] ? k : best), 0);
  return { from_s, to_s, now_s: null, fed_at_s: from_s, top, floor: 0, look: "new", level: null, level_now: null, ghosts: [], ribbon: [], course: { time_s, rise_ratios }, begin_words: `fed ${clock(from_s)}`, says, feedings: fed_at,
    peak: { at_s: last.time_s[i], ratio: last.rise_ratios[i][2], big: mixed_s ? `dough ${clock(mixed_s)}` : `peak about ${clock(Math.round(last.time_s[i] / 300) * 300)}`, small: zoned(last.time_s[i]).key === zoned(from_s).key ? null : dayAndClock(last.time_s[i]).split(",").slice(0, 2).join(",") } };
}
