// Calibrates a sensor step by step: the empty jar, then known fills. The result is shown before it is kept. The caller
// says where readings come from and where the result goes.

import { el } from "./words.js";

const ENOUGH = 5, EVERY_MS = 1500; // readings per fill: their median is not moved by two stray ones
const FILLS = "Pour in water and close the lid again: how much is in it now, in total?";

/** `read(since_s)` gives {readings: [[time_s, mm]]}, `fit` computes the jar, `keep(values, said)` stores it. */
export function calibrate(box, { jar, sensor, read, fit, keep }) {
  let timer = null, alive = true;
  const fills = [], said = el("p", { class: "said", role: "status" }), stage = el("div", { class: "in-turn" }), done = el("ol", { class: "plain" });
  const unit = el("select", {}, el("option", { value: "ml" }, "ml (or g of water)"), el("option", { value: "mm" }, "mm above the bottom"));
  const button = (words, does, names) => el("button", { type: "button", class: names ?? null, onclick: does }, words);
  box.append(el("div", { class: "in-turn" }, el("p", { class: "soft" }, "Put the lid with the sensor on as it will always sit. An optical sensor looks through glass and clear water: lay white paper on the bottom, and a disc of it on the water.",
    sensor === "ultrasonic" ? " An ultrasonic one needs fresh air in the jar: no starter, none of its gas." : ""), done, stage, said));

  /** Waits for the next readings and counts them. */
  async function measure(known, words) {
    const begun_s = Date.now(), got = new Map(), first = await read(0).catch(() => null);
    const after_s = first?.readings.at(-1)?.[0] ?? 0;
    stage.replaceChildren(el("p", {}, words), button("Stop", begin, "other"));
    const look = async () => {
      if (!alive) return;
      try {
        const { readings } = await read(after_s);
        for (const [at_s, mm] of readings) if (at_s > after_s) got.set(at_s, mm);
        const seconds = Math.round((Date.now() - begun_s) / 1000);
        said.textContent = `${got.size} of ${ENOUGH} readings after ${seconds} s${got.size ? `, the last ${[...got.values()].at(-1).toFixed(1)} mm` : ""}`;
      } catch (error) { said.textContent = String(error.message); }
      if (got.size < ENOUGH) { timer = setTimeout(look, EVERY_MS); return; }
      fills.push([known, [...got.values()].slice(-ENOUGH)]);
      said.textContent = "";
      next();
    };
    look();
  }
  const middle = (some) => [...some].sort((a, b) => a - b)[Math.floor(some.length / 2)];
  function begin() {
    clearTimeout(timer);
    fills.length = 0;
    done.replaceChildren();
    said.textContent = "";
    stage.replaceChildren(el("p", {}, `Put the clean, empty jar under the sensor of ${jar}, with the lid on.`), button("Measure the empty jar", () => measure(0, "Reading over the empty jar …")));
  }
  function next() {
    done.replaceChildren(...fills.map(([known, some]) => el("li", {}, `${known === 0 ? "empty" : `${known} ${unit.value}`}: ${middle(some).toFixed(1)} mm`)));
    const amount = el("input", { type: "number", class: "grams", min: 1, max: 20000, step: "any", inputmode: "decimal" });
    unit.disabled = fills.length > 1;
    stage.replaceChildren(el("p", {}, FILLS), el("div", { class: "row" }, el("label", {}, "In all", amount), el("label", {}, "Counted in", unit),
      button("Measure this fill", () => (Number(amount.value) > 0 ? measure(Number(amount.value), `Reading over ${amount.value} ${unit.value} …`) : amount.focus()), "other"), button("That is all", result)));
  }
  async function result() {
    try {
      const made = await fit({ unit: fills.length > 1 ? unit.value : "mm", fills });
      const values = { empty_mm: made.empty_mm, ...(made.geometry ? { geometry: made.geometry } : {}) };
      stage.replaceChildren(el("p", {}, el("b", {}, `Over the empty jar the sensor reads ${made.empty_mm.toFixed(1)} mm.`), made.geometry ? ` Its shape is known from ${fills.length - 1} fills.` : ""),
        ...made.remarks.map((remark) => el("p", { class: made.doubtful ? "bad" : "soft" }, remark)),
        el("div", { class: "row" }, ...(made.doubtful ? [] : [button("Keep this", () => keep(values, said))]), button("Begin again", begin, "other")));
      said.textContent = made.doubtful ? "Do not use this: measure again." : "";
    } catch (error) { said.textContent = String(error.message); }
  }
  begin();
  return () => { alive = false; clearTimeout(timer); };
}
