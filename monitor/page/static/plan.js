// The next feeding, as in `jartide plan`: to last a number of hours, once a day, to be ripe at a moment, or what a given
// feeding will do. The answer and its predicted curve appear at once. Bakes are in bake.js.

import { bakeView } from "./bake.js";
import { calendarFold } from "./calendar.js";
import { glyph } from "./glyphs.js";
import { guideLink } from "./guide.js";
import { jarLinks } from "./past.js";
import { courseOf, latest, maybeNumber, momentChooser, until } from "./predicted.js";
import { RiseChart } from "./rise.js";
import { capital, clock, dayAndClock, degree, el, fromWarmth, get, jarPath, sayLong, sayWarmth, sayWeight, toWarmth } from "./words.js";

const HOUR = 3600, FEW = 2; // other ways that are shown at once

export async function planView(main, live, jarName) {
  const jars = live.now ? [...live.now.jars.map((j) => j.jar), ...live.now.quiet_jars] : [];
  const jar = jarName ?? jars[0];
  main.append(el("h1", { tabindex: -1 }, jar ? `Next feeding of ${jar}` : "Next feeding"));
  if (!jar) return () => {};
  if (jars.length > 1) main.append(el("nav", { "aria-label": "Jars" }, jarLinks("plan", jars, jar)));
  const box = el("div"), kinds = [["Next feeding", nextFeeding], ["Bake", bakeView]];
  const seg = el("div", { class: "seg", role: "group", "aria-label": "What to plan" });
  let end = () => {}, choice = 0;
  async function choose(i) {
    const mine = ++choice, here = el("div", { class: "view" }); // each choice has its own view: after two quick taps only the second is shown
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

async function nextFeeding(main, jar, live) {
  let first;
  try { first = await get(jarPath(jar, "plan")); } catch (error) { main.append(el("p", { class: "bad" }, String(error.message))); return () => {}; }
  let ask = () => {};
  const changed = () => ask();
  const half = (c) => Math.round(2 * c) / 2, wish = { target_h: first.target_h, temperature_c: null };
  const ripe = momentChooser(live.now_s(), 1, "08:00", changed);
  const more = {
    keep_g: maybeNumber("Starter to keep, g", { min: 1, max: 1000 }, changed), flour_g: maybeNumber("Flour to use, g", { min: 1, max: 20000, placeholder: "as last" }, changed),
    water_g: maybeNumber("Water to use, g", { min: 1, max: 20000, placeholder: "as last" }, changed), hydration_pct: maybeNumber("Water, % of flour", { min: 30, max: 300, placeholder: "as last" }, changed),
    jar_ml: maybeNumber("The jar holds, ml", { min: 20, max: 20000, placeholder: first.jar_ml ?? "any" }, changed), standing_g: maybeNumber("In the jar now, g", { min: 1, max: 1000, placeholder: first.standing_g ?? "unknown" }, changed),
  };
  const least = { least_keep_g: maybeNumber("Keep at least, g", { min: 1, max: 1000 }, changed), most_keep_g: maybeNumber("Keep at most, g", { min: 1, max: 1000 }, changed),
    ripe_g: maybeNumber("A bake takes, g", { min: 1, max: 20000, placeholder: "nothing" }, changed), water_c: maybeNumber(`Water mixed in, ${degree()}`, { min: Math.ceil(toWarmth(0)), max: Math.floor(toWarmth(60)), placeholder: "as the room", taken: fromWarmth }, changed) };
  Object.assign(more, least);
  const aim = el("select", {}, ...[["fall", "it begins to sink"], ["peak", "it is ripe"], ["half_sunk", "it is half sunk"]].map(([value, words]) => el("option", { value }, words)));
  aim.addEventListener("input", changed);
  const aimed = el("label", { class: "slider" }, "What should happen then ", aim);
  const flour = el("input", { type: "text", maxlength: 100, autocomplete: "off", placeholder: "as last" });
  flour.addEventListener("input", changed);
  const how = el("select", { "aria-label": "What do you want?" }, ...[["hours", "Some hours from the feeding"], ["daily", "Fed once a day at this hour"], ["moment", "Ready at a moment"], ["change", "Another flour or stiffness"], ["given", "These grams: what will they do?"]].map(([value, words]) => el("option", { value }, words)));
  const forHours = slider("target_h", "After", 4, 48, 0.5, (h) => `${h} h`, first.target_h);
  const forMoment = el("div", { class: "say" }, el("label", {}, "Ready", ripe.day), el("label", {}, "at", ripe.hour));
  const note = el("p", { class: "soft" }, "Give starter, flour and water.");
  const fold = el("details", {}, el("summary", {}, "Grams, flour, jar"), el("div", { class: "say" }, more.keep_g.node, more.flour_g.node, more.water_g.node, more.hydration_pct.node, el("label", {}, "Which flour", flour), more.jar_ml.node, more.standing_g.node, ...Object.values(least).map((one) => one.node)));
  function shape() {
    aimed.hidden = how.value !== "hours" && how.value !== "moment";
    forHours.hidden = how.value !== "hours";
    forMoment.hidden = how.value !== "moment";
    note.hidden = how.value !== "given" && how.value !== "change";
    note.textContent = how.value === "change" ? "Say which flour, or how wet." : "Give starter, flour and water.";
    more.water_g.node.hidden = how.value !== "given";
    more.hydration_pct.node.hidden = how.value === "given";
    if (how.value === "given" || how.value === "change") fold.open = true;
  }
  how.addEventListener("input", () => { aim.value = how.value === "moment" ? "peak" : "fall"; shape(); ask(); });
  const young = el("p", { class: "note" }), unripe = el("p", { class: "note" }), grams = el("p", { class: "grams-big" }), before = el("ul", { class: "steps" }), facts = el("dl"), because = el("p"), caution = el("p", { class: "note" }), instead = el("div");
  const chart = new RiseChart({ height: (wide) => (wide >= 560 ? 380 : 300) }), chartTitle = el("h2");
  function asked() {
    const all = { temperature_c: wish.temperature_c, flour: flour.value || null, ...Object.fromEntries(Object.entries(more).filter(([, one]) => !one.node.hidden).map(([key, one]) => [key, one.value])) };
    if (how.value === "hours") all.target_h = wish.target_h;
    if (how.value === "daily") all.once_a_day = "true";
    if (how.value === "moment") all.at_s = ripe.at_s;
    if (!aimed.hidden) all.aim = aim.value;
    if (how.value === "change") all.change_over = "true";
    return new URLSearchParams(Object.entries(all).filter(([, v]) => v !== null));
  }
  ask = latest(async () => {
    if (how.value === "moment" && !ripe.hour.value) return;
    if (how.value === "given" && [more.keep_g, more.flour_g, more.water_g].some((one) => one.value === null)) return;
    if (how.value === "change" && !flour.value && more.hydration_pct.value === null) return;
    show(await get(`${jarPath(jar, "plan")}?${asked()}`));
  }, (says) => { because.className = "bad"; because.textContent = says; });
  const weight = (g) => sayWeight(g).replace(" ", "\u00a0"); // in large letters a number and its unit must stay on one line
  const weighed = (one) => `Keep ${weight(one.starter_g)}, add ${weight(one.flour_g)} flour and ${weight(one.water_g)} water`;
  function show(plan) {
    young.textContent = plan.young ?? "";
    young.hidden = !plan.young;
    unripe.textContent = plan.unripe ?? "";
    unripe.hidden = !plan.unripe;
    before.replaceChildren(...plan.first.map((one) => el("li", {}, el("span", { class: "when" }, one.words), el("span", { class: "dot s-feed tinted" }, glyph("feed", 24)), el("div", {}, el("b", {}, weighed(one)), el("p", { class: "soft" }, `Ripe after about ${sayLong(one.hours_to_peak[1])}.`)))));
    grams.textContent = how.value === "moment" || how.value === "change" || plan.unripe ? `${plan.words === "now" ? "Now" : plan.words}: ${weighed(plan)}` : weighed(plan);
    // out of reach: first what a good baker would do, then what is missed, then other ways; the grams are only the nearest
    const [best, ...others] = plan.met === false ? plan.instead : [], nearest = grams.textContent;
    grams.className = best ? "verdict" : "grams-big";
    if (best) grams.textContent = capital(best);
    because.textContent = plan.line ?? plan.because;
    because.className = plan.met === false ? "bad" : "";
    const way = (one) => el("li", {}, capital(one)), few = others.slice(0, FEW), left = others.slice(FEW);
    instead.replaceChildren(...(best ? [el("h2", {}, "Or"), el("ul", {}, ...few.map(way), way(`the nearest that one feeding comes to it: ${nearest}`)), left.length ? el("details", {}, el("summary", {}, "More ways"), el("ul", {}, ...left.map(way))) : "", el("p", {}, guideLink("ratios", "What ratios do"), " · ", guideLink("warm", "Warm and cold kitchens"))] : []));
    caution.textContent = plan.caution ?? "";
    caution.hidden = !plan.caution;
    const at = (h) => dayAndClock(Math.round((plan.at_s + h * HOUR) / 300) * 300), span = ([low, likely, high]) => `about ${at(likely)}, after ${sayLong(likely)} (${sayLong(low)} to ${sayLong(high)})`;
    facts.replaceChildren(...[["Ratio", plan.ratio], ["Ripe", span(plan.hours_to_peak)], ["Peak", span(plan.hours_to_highest)], ["Sinks", span(plan.hours_to_fall)],
      ...(plan.discard_g === null ? [] : [["Left over", el("span", {}, `${sayWeight(plan.discard_g)} `, guideLink("discard", "What it makes"))]]), ...(plan.least_jar_ml === null ? [] : [["Jar", `at least ${plan.least_jar_ml} ml`]]),
      ["Known from", plan.cycles ? `${plan.cycles === 1 ? "one cycle" : `${plan.cycles} cycles`} of this starter` : "the usual starter: none of its own cycles yet"]]
      .flatMap(([word, says]) => [el("dt", {}, word), el("dd", {}, says)]));
    const fed = [...plan.first, plan], courses = fed.map((one, i) => until(one.course, fed[i + 1]?.at_s ?? Infinity)).filter(Boolean);
    const peak_s = plan.at_s + plan.hours_to_highest[1] * HOUR, about = clock(Math.round(peak_s / 300) * 300);
    chartTitle.textContent = plan.words === "now" ? "If fed now" : "If fed like this";
    if (courses.length) chart.show(courseOf(courses, plan.first.length ? fed.map((one) => one.at_s) : [], `If ${jar} is fed ${plan.words}: its peak about ${about}`, { at_s: peak_s, words: `peak about ${about}` }));
  }
  function slider(key, words, low, high, step, say, begins) {
    const out = el("output", {}, say(begins)), input = el("input", { type: "range", min: low, max: high, step, value: begins });
    input.addEventListener("input", () => { wish[key] = Number(input.value); out.textContent = say(wish[key]); ask(); });
    return el("label", { class: "slider" }, `${words}: `, out, input);
  }
  main.append(el("div", { class: "two wishes" }, el("section", { class: "plate", "aria-label": "Wishes" }, el("div", { class: "in" },
    el("label", { class: "slider" }, "What do you want? ", how), forHours, forMoment, aimed, note,
    slider("temperature_c", "Warmth where it stands", 10, 34, 0.5, sayWarmth, half(first.temperature_c)), fold)),
  el("section", { class: "plate", "aria-live": "polite", "aria-label": "The plan" }, el("div", { class: "in" }, young, unripe, before, grams, caution, because, instead, facts))),
  el("section", { class: "plate" }, el("div", { class: "in" }, chartTitle, chart.node, el("p", { class: "soft small" }, "Dotted: the likely course. Shaded: where it will be one time in two, and nine times in ten."))));
  shape();
  show(first);
  return () => chart.end();
}
