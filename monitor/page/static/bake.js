// A bake: the feedings that lead up to the hour of mixing, and the predicted curve. A bake that is kept is planned again as
// the jar develops.

import { glyph } from "./glyphs.js";
import { guideLink } from "./guide.js";
import { courseOf, latest, maybeNumber, momentChooser, until } from "./predicted.js";
import { RiseChart } from "./rise.js";
import { clock, degree, el, fromWarmth, get, jarPath, post, sayWeight, toWarmth } from "./words.js";

export async function bakeView(main, jar, live) {
  const readOnly = "readOnly" in document.body.dataset;
  let ask = () => {};
  const changed = () => ask();
  const mixed = momentChooser(live.now_s(), 1, "09:00", changed);
  const flour = el("input", { type: "number", class: "grams", min: 50, max: 50000, value: 900, inputmode: "numeric" }), levain = el("input", { type: "number", class: "grams", min: 1, max: 100, value: 20, inputmode: "numeric" });
  for (const one of [flour, levain]) one.addEventListener("input", changed);
  const more = { hydration_pct: maybeNumber("Its water, % of its flour", { min: 30, max: 300, placeholder: "as fed" }, changed), keep_g: maybeNumber("Keep back, g", { min: 1, max: 1000, placeholder: "20" }, changed), standing_g: maybeNumber("In the jar now, g", { min: 1, max: 1000, placeholder: "as fed" }, changed),
    temperature_c: maybeNumber(`Warmth, ${degree()}`, { min: Math.ceil(toWarmth(4)), max: Math.floor(toWarmth(38)), step: 0.5, placeholder: "its usual", taken: fromWarmth }, changed) };
  const fridge = el("input", { type: "checkbox" }), inFridge = el("label", { class: "check" }, fridge, " Let it rest in the fridge meanwhile");
  fridge.addEventListener("input", changed);
  const title = el("h2"), rest = el("p"), meanwhile = el("p", { class: "note" }), steps = el("ul", { class: "steps" }), because = el("p", { class: "soft" }), cautions = el("ul", { class: "plain soft columns" }), chart = new RiseChart({ height: (wide) => (wide >= 560 ? 380 : 300) });
  const after = el("section", { class: "plate" }, el("div", { class: "in" }, el("h2", {}, "What to expect"), chart.node, el("p", { class: "soft small" }, "Dotted: the likely course. Shaded: where it will be one time in two, and nine times in ten.")));
  const step = (look, when, range, words, says) => el("li", {}, el("span", { class: "when" }, when, el("small", {}, range)), el("span", { class: `dot s-${look} tinted` }, glyph(look, 24)), el("div", {}, el("b", {}, words), el("p", { class: "soft" }, says)));
  const query = () => new URLSearchParams(Object.entries({ at_s: mixed.at_s, flour_g: flour.value, levain_pct: levain.value || 20, fridge: fridge.checked ? "true" : null, ...Object.fromEntries(Object.entries(more).map(([key, one]) => [key, one.value])) }).filter(([, v]) => v !== null));
  const kept = el("p", { class: "soft", role: "status" }), standing = el("div", { class: "standing" });
  const keep = el("button", { type: "button", class: "other", onclick: async () => {
    try { await post(`${jarPath(jar, "bake")}?${query()}`, {}); kept.textContent = "Kept: its feedings stand in the calendar, are told when they are due, and are planned anew as the jar goes."; } catch (error) { kept.textContent = `Not kept: ${error.message}`; }
  } }, "Keep this bake");
  const pair = el("div", { class: "two past" }, el("div", { class: "side" }, el("section", { class: "plate", "aria-live": "polite" }, el("div", { class: "in" }, title, rest, meanwhile, steps, because, readOnly ? null : keep, kept))), after);
  const draws = (some) => { after.hidden = !some; pair.className = some ? "two past" : "view"; };
  function showKept() {
    const bake = live.now?.jars.find((one) => one.jar === jar)?.bake;
    standing.replaceChildren(...(bake ? [el("section", { class: "plate", "aria-label": "The bake that is kept" }, el("div", { class: "in" }, el("p", {}, el("b", {}, bake.words)), ...bake.moved.map((words) => el("p", {}, words)),
      readOnly ? null : el("button", { type: "button", class: "plain", onclick: async () => { await post(jarPath(jar, "bake/dropped"), {}).catch((error) => { kept.textContent = error.message; }); } }, "Cancel the bake")))] : []));
  }
  ask = latest(async () => {
    if (!mixed.hour.value || !(Number(flour.value) >= 50)) return;
    kept.textContent = "";
    const made = await get(`${jarPath(jar, "bake")}?${query()}`);
    const sum = (key) => made.feedings.reduce((all, one) => all + (one[key] ?? 0), 0);
    title.textContent = `${made.feedings.length === 1 ? "One feeding" : `${made.feedings.length} feedings`}: ${sayWeight(sum("flour_g"))} flour, ${sayWeight(sum("water_g"))} water`;
    rest.textContent = made.rest ?? "";
    rest.hidden = !made.rest;
    meanwhile.replaceChildren(...(made.meanwhile ? [`A rest in the fridge would do too. ${made.meanwhile} `, el("button", { type: "button", class: "plain", onclick: () => { fridge.checked = true; ask(); } }, "Plan it that way")] : []));
    meanwhile.hidden = !made.meanwhile;
    inFridge.hidden = !made.meanwhile && !fridge.checked;
    steps.replaceChildren(...made.feedings.map((one) => step("feed", one.words, one.at_night ? "at night" : "", `Feed: ${[one.starter_g, one.flour_g, one.water_g].map((g) => sayWeight(g ?? 0)).join(" + ")}`, `From ${one.from}.${one.discard_g ? ` ${sayWeight(one.discard_g)} are left over.` : ""}`)),
      step("peak", made.ready.words, made.ready.range_words, `Ripe: take ${sayWeight(made.take_g)} for the dough`, `Keep ${sayWeight(made.keep_g)} back for the next feeding.`));
    because.replaceChildren(made.because, ...made.instead.flatMap((one) => [el("br"), `Instead: ${one}.`]), ...made.by_day.flatMap((one) => [el("br"), `Or ${one}.`]), made.discard_g ? ` Left over in all: ${sayWeight(made.discard_g)}. ` : " ", made.discard_g ? guideLink("discard", "What it makes") : "");
    because.className = made.met ? "soft" : "bad";
    cautions.replaceChildren(...made.cautions.map((one) => el("li", {}, one)));
    const courses = made.feedings.map((one, i) => until(one.course, Math.min(made.feedings[i + 1]?.at_s ?? Infinity, one.at_s < (made.rest_from_s ?? 0) ? made.rest_from_s : Infinity))).filter(Boolean);
    draws(courses.length > 0);
    if (courses.length) chart.show(courseOf(courses, made.feedings.map((one) => one.at_s), title.textContent, { at_s: made.at_s, words: `dough ${clock(made.at_s)}` }));
  }, (says) => { title.textContent = ""; steps.replaceChildren(); rest.hidden = meanwhile.hidden = true; cautions.replaceChildren(); because.className = "bad"; because.textContent = says; draws(false); });
  main.append(standing, el("section", { class: "plate" }, el("div", { class: "in" }, el("div", { class: "say" }, el("label", {}, "I mix the dough", mixed.day), el("label", {}, "at", mixed.hour), el("label", {}, "with flour, g", flour), el("label", {}, `and ripe ${jar}, % of it`, levain)),
    el("details", {}, el("summary", {}, "More about the levain"), el("div", { class: "say" }, ...Object.values(more).map((one) => one.node))), inFridge)),
    pair, el("section", { class: "plate" }, el("div", { class: "in" }, el("h2", {}, "Good to know"), cautions, el("p", { class: "soft" }, guideLink("bake", "More about the day of a bake")))));
  showKept();
  const off = live.subscribe({ whole: showKept, message: showKept });
  await ask();
  return () => { off(); chart.end(); };
}
