// The next feeding: two sliders and an answer at once. While one answer is under way only the latest wish waits.

import { jarLinks } from "./past.js";
import { dayAndClock, el, get, jarPath, sayWarmth, sayWeight } from "./words.js";

export async function planView(main, live, jarName) {
  const jars = live.now ? [...live.now.jars.map((j) => j.jar), ...live.now.quiet_jars] : [];
  const jar = jarName ?? jars[0];
  main.append(el("h1", { tabindex: -1 }, jar ? `Next feeding of ${jar}` : "Next feeding"));
  if (!jar) return () => {};
  if (jars.length > 1) main.append(el("nav", { "aria-label": "Jars" }, jarLinks("plan", jars, jar)));
  let first;
  try { first = await get(jarPath(jar, "plan")); } catch (error) { main.append(el("p", { class: "bad" }, String(error.message))); return () => {}; }
  const wish = { target_h: first.target_h, temperature_c: first.temperature_c, keep_g: null };
  const grams = el("p", { class: "grams-big" }), facts = el("dl"), because = el("p"), caution = el("p", { class: "note" });
  const answer = el("section", { class: "panel", "aria-live": "polite", "aria-label": "The plan" }, grams, caution, because, facts);

  let busy = false, again = false;
  async function ask() {
    if (busy) { again = true; return; }
    busy = true;
    try {
      do {
        again = false;
        const query = new URLSearchParams(Object.entries(wish).filter(([, v]) => v !== null));
        show(await get(`${jarPath(jar, "plan")}?${query}`));
      } while (again);
    } catch (error) {
      because.textContent = String(error.message);
    } finally {
      busy = false;
    }
  }
  function show(plan) {
    grams.textContent = `Keep ${sayWeight(plan.starter_g)}, add ${sayWeight(plan.flour_g)} flour and ${sayWeight(plan.water_g)} water`;
    because.textContent = plan.because;
    caution.textContent = plan.caution ?? "";
    caution.hidden = !plan.caution;
    because.className = plan.met ? "" : "bad";
    const span = ([low, likely, high]) => `after ${likely.toFixed(1)} h (${low.toFixed(1)} to ${high.toFixed(1)})`;
    const at = (h) => dayAndClock(live.now_s() + h * 3600);
    facts.replaceChildren(...[["Ratio", plan.ratio], ["Peak", span(plan.hours_to_peak)], ["Sinks", span(plan.hours_to_fall)],
      ["If fed now", `at its peak ${at(plan.hours_to_peak[1])}, sinking ${at(plan.hours_to_fall[1])}`],
      ["Known from", plan.cycles ? `${plan.cycles === 1 ? "one cycle" : `${plan.cycles} cycles`} of this starter` : "the usual starter: none of its own cycles yet"]]
      .flatMap(([word, says]) => [el("dt", {}, word), el("dd", {}, says)]));
  }
  function slider(key, words, low, high, step, say) {
    const out = el("output", {}, say(wish[key]));
    const input = el("input", { type: "range", min: low, max: high, step, value: wish[key] });
    input.addEventListener("input", () => { wish[key] = Number(input.value); out.textContent = say(wish[key]); ask(); });
    return el("label", { class: "slider" }, `${words}: `, out, input);
  }
  const keep = el("input", { type: "number", class: "grams", min: 1, max: 1000, inputmode: "numeric", placeholder: "any" });
  keep.addEventListener("input", () => { const g = Number(keep.value); wish.keep_g = keep.value === "" || !(g >= 1) ? null : g; ask(); });
  main.append(el("section", { class: "panel", "aria-label": "Wishes" },
    slider("target_h", "Sinks, to be fed again, after", 4, 48, 0.5, (h) => `${h} h`),
    slider("temperature_c", "Warmth where it stands", 10, 34, 0.5, sayWarmth),
    el("label", { class: "slider" }, "Starter to keep, g (empty: whatever fits) ", keep)), answer);
  show(first);
  return () => {};
}
