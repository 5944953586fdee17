// Corrects a past feeding in place, in its list: its time, its grams, or that it was not a feeding.

import { glyph, tone } from "./glyphs.js";
import { clock, dayAndClock, el, jarPath, post, sayWeight } from "./words.js";

const LEAST_G = 0.1, MOST_G = 20000, MINUTE_S = 60, HALF_DAY_MIN = 720; // grams as the API takes them
const DONE = "The jar is judged again, which may take a minute.";

/** The moment nearest to a time at which the house's clock says "07:30"; null if it never does. */
export function nearestAt(near_s, words) {
  for (let k = 0; k <= HALF_DAY_MIN; k++) {
    for (const s of [near_s - near_s % MINUTE_S + k * MINUTE_S, near_s - near_s % MINUTE_S - k * MINUTE_S]) if (clock(s) === words) return s;
  }
  return null;
}

export function feedingLine(c) {
  const words = el("span", { class: "t" }), row = el("li", {}, el("span", { class: `s-${tone("feed")} tinted` }, glyph("feed", 24)), words);
  const may = c.may_correct && !document.body.hasAttribute("data-read-only");
  const button = (says, does, names = "other") => el("button", { type: "button", class: names, onclick: does }, says);
  const grams = [c.starter_g, c.flour_g, c.water_g];
  const weighed = grams.some((g) => g !== null) ? ` ${grams.map((g) => (g === null ? "?" : sayWeight(g))).join(" + ")}${c.flour ? `, ${c.flour}` : ""}${c.ratio ? ` (${c.ratio})` : ""}` : " fed";

  function show() {
    words.replaceChildren(el("b", {}, clock(c.fed_at_s)), weighed, ...(c.about_words ? [el("span", { class: "soft" }, ` ${c.about_words}`)] : []),
      ...(may ? [" ", el("button", { type: "button", class: "plain", "aria-label": `Correct the feeding of ${clock(c.fed_at_s)}`, onclick: edit }, "Change")] : []));
  }
  function edit() {
    const at = el("input", { type: "time", value: clock(c.fed_at_s), required: true });
    const parts = [["starter_g", "Starter, g", 0], ["flour_g", "Flour, g", LEAST_G], ["water_g", "Water, g", 0]];
    const inputs = Object.fromEntries(parts.map(([key, , min]) => [key, el("input", { type: "number", class: "grams", min, max: MOST_G, step: "any", inputmode: "decimal", value: c[key] ?? "" })]));
    const flour = el("input", { type: "text", maxlength: 100, autocomplete: "off", value: c.flour ?? "" });
    const said = el("p", { class: "said", role: "status" });
    const keep = () => {
      const wrong = [at, ...Object.values(inputs)].find((input) => !input.checkValidity() || (input !== at && Number(input.value) > 0 && Number(input.value) < LEAST_G));
      const at_s = at.value === clock(c.fed_at_s) ? c.fed_at_s : nearestAt(c.fed_at_s, at.value);
      if (wrong || at_s === null) { said.textContent = "Not changed: check the time and the grams."; (wrong ?? at).focus(); return; }
      const body = { fed_at_s: c.fed_at_s, at_s, flour: flour.value || null };
      for (const [key, input] of Object.entries(inputs)) body[key] = input.value === "" ? null : Number(input.value);
      send("corrected", body, `Corrected. ${DONE}`, said);
    };
    words.replaceChildren(el("div", { class: "row" }, el("label", {}, "Fed at", at), ...parts.map(([key, says]) => el("label", {}, says, inputs[key])), el("label", {}, "Which flour", flour)),
      el("div", { class: "row" }, button("Save", keep, "main"), button("That was no feeding", () => send("not_so", { event: `fed@${Math.round(c.fed_at_s)}` }, `Noted: that was no feeding. ${DONE}`, said)), button("Cancel", () => show())), said);
    at.focus();
  }
  async function send(what, body, done, said) {
    try {
      await post(jarPath(c.jar, what), body);
      words.replaceChildren(el("p", { class: "said", role: "status" }, done), el("a", { href: `#/past/${encodeURIComponent(c.jar)}` }, `${c.jar}, all cycles`));
    } catch (error) { said.textContent = `Not changed: ${error.message}.`; }
  }
  show();
  row.dataset.at = dayAndClock(c.fed_at_s);
  return row;
}
