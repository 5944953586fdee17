// The live view: a card for each jar, moved by the server's events. One connection for the whole page.

import { CycleChart } from "./charts.js";
import { jarPicture } from "./jar.js";
import { clock, el, get, jarPath, post, sayLength } from "./words.js";

const readOnly = () => document.body.hasAttribute("data-read-only");
const ICONS = { unknown: "?", settling: "…", rising: "▲", peaked: "◆", falling: "▼", flat: "▬", resting: "☾", away: "○" };
const NOTES = [["smell", "smell"], ["float_test", "float test"], ["baked", "baked with it"], ["taken", "some taken to bake"],
  ["stirred", "stirred down"], ["discard", "discard: kept, used or thrown, and grams"], ["rest", "into the fridge, to rest"],
  ["rest_over", "out of the fridge"], ["mould", "mould, or pink, orange or black streaks"], ["remark", "a remark"]];
const MOULD = "Throw all of it away, taste nothing, wash the jar hot and begin again with a clean starter.";
const SINCE = [[0, "just now"], [10, "10 min ago"], [30, "half an hour ago"], [60, "1 h ago"], [120, "2 h ago"], [240, "4 h ago"]];

export function nowView(main, live) {
  const house = el("div", { class: "house" });
  const cards = new Map();
  const spoken = el("p", { class: "skip", "aria-live": "polite" });
  main.append(el("h1", { tabindex: -1 }, "Now"), spoken, house);

  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) if (entry.isIntersecting) cards.get(entry.target.dataset.key)?.load();
  }, { rootMargin: "300px" });

  function put(jar) {
    let card = cards.get(jar.jar);
    if (!card) {
      card = makeCard(jar.jar);
      card.node.dataset.key = jar.jar;
      cards.set(jar.jar, card);
      house.append(card.node);
      seen.observe(card.node);
    } else if (card.jar && card.jar.stage !== jar.stage) {
      spoken.textContent = `${jar.jar}: ${jar.stage_words}`;
    }
    card.update(jar);
  }

  const off = live.subscribe({
    whole(now) {
      for (const jar of now.jars) put(jar);
      for (const card of cards.values()) card.reload();
      for (const name of now.quiet_jars) if (!cards.has(name)) put({ jar: name, stage: "unknown", stage_words: "nothing known yet",
        level_mm: null, rise_words: null, health: [], notes: [], last_feeding: {} });
    },
    message(news) {
      for (const jar of news.jars ?? []) put(jar);
      for (const [name, change] of Object.entries(news.curves ?? {})) cards.get(name)?.moved(change);
    },
  });
  return () => { off(); seen.disconnect(); for (const card of cards.values()) card.end(); };
}

function makeCard(name) {
  const picture = jarPicture();
  const stageIcon = el("span", { "aria-hidden": "true" }), stageWords = document.createTextNode("");
  const stage = el("p", { class: "stage" }, stageIcon, " ", stageWords);
  const rise = el("p", { class: "rise" });
  const facts = el("dl");
  const wrong = el("div");
  const chart = new CycleChart();
  const telling = readOnly() ? null : tellPanel(name);
  const headline = el("h2", {}, name);
  const node = el("article", { class: "card" }, headline, wrong,
    el("div", { class: "glance" }, picture.node, el("div", {}, stage, rise)), facts, chart.node, telling?.node);
  let curve = null, loading = false, jar = null, alive = true;

  async function load(again = false) {
    if (loading || (curve && !again) || !alive) return;
    loading = true;
    try {
      curve = await get(jarPath(name, "curve"));
      if (alive) draw();
    } catch (error) {
      chart.readout.textContent = String(error.message);
    } finally {
      loading = false;
    }
  }

  function draw() {
    if (!jar) return;
    const levels = curve?.curve.middle_mm ?? [];
    const since = jar.fed?.at_s ?? 0;
    const highest = levels.reduce((most, level, i) => (curve.curve.time_s[i] >= since + 300 && level > most ? level : most), -Infinity);
    picture.show(jar, curve?.start_mm ?? null, Number.isFinite(highest) && curve.level_known ? highest : null);
    if (!curve) return;
    const [marks, spans] = turningPoints(jar);
    const until = Math.max(...spans.map((s) => s.to), 0);
    const says = sentence(jar, curve);
    if (chart.state === curve) { chart.set(marks, spans, until, says); chart.redraw(); }
    else chart.show(curve, marks, spans, until, says);
  }

  return {
    node,
    get jar() { return jar; },
    load: () => load(),
    reload() { if (curve) load(true); },
    end() { alive = false; chart.end(); },
    moved(change) {
      if (!curve) return;
      if (change.fed_at_s !== curve.fed_at_s) { load(true); return; }
      chart.merge(change.columns);
    },
    update(next) {
      jar = next;
      stageIcon.textContent = ICONS[jar.stage] ?? "?";
      stageWords.textContent = jar.stage_words;
      rise.replaceChildren(...(jar.rise_words ? [`risen ${jar.rise_words} `] : []),
        el("small", {}, jar.level_words ? `${jar.level_words} high, ${jar.slope_words ?? "pace not known"}` : "level not known"));
      facts.replaceChildren(...factsOf(jar).flatMap(([word, says]) => [el("dt", {}, word), el("dd", {}, says)]));
      wrong.replaceChildren(...jar.health.map((says) => el("p", { class: "bad" }, says)));
      telling?.update(jar);
      draw();
    },
  };
}

function factsOf(jar) {
  const out = [];
  if (jar.fed) out.push([jar.fed.known ? "Fed" : "Watched", jar.fed.known ? `${jar.fed.ago_words} ago, ${clock(jar.fed.at_s)}` : jar.fed.words]);
  if (jar.temperature_words) out.push(["Warmth", jar.temperature_words]);
  const ahead = jar.forecast ?? {};
  if (jar.peak) out.push(["Peak", jar.peak.words + (jar.peak_ratio ? `, ${jar.peak_ratio.toFixed(1)} times` : "")]);
  else if (ahead.peak_at) out.push(["Peak", `${ahead.peak_at.words} (${ahead.peak_at.range_words})`]);
  if (jar.fall) out.push(["Sinking since", jar.fall.words]);
  else if (ahead.fall_at) out.push(["Sinks", `${ahead.fall_at.words} (${ahead.fall_at.range_words})`]);
  if (jar.next_notice) out.push(["Next notice", jar.next_notice.words]);
  if (jar.snoozed_until) out.push(["Snoozed", `until ${jar.snoozed_until.words}`]);
  if (!jar.health.length) out.push(["Sensor", "all well"]);
  const last = jar.notes?.[jar.notes.length - 1];
  if (last && last.what !== "snooze") out.push(["Noted", `${last.what_words}, ${last.words}`]);
  return out;
}

function turningPoints(jar) {
  const marks = [], spans = [];
  if (jar.fed?.known) marks.push({ at: jar.fed.at_s, kind: "fed", label: "fed" });
  if (jar.peak) marks.push({ at: jar.peak.at_s, kind: "peak", label: "peak" });
  if (jar.fall) marks.push({ at: jar.fall.at_s, kind: "fall", label: "sinks" });
  for (const note of jar.notes ?? []) if (note.what !== "snooze") marks.push({ at: note.at_s, kind: "note", label: note.what_words });
  const ahead = jar.forecast ?? {};
  for (const [key, label] of [["peak_at", "peak expected"], ["fall_at", "sinks, expected"]]) {
    const span = ahead[key];
    if (span) spans.push({ from: span.earliest_s, to: span.latest_s, likely: span.likely_s, label });
  }
  return [marks, spans];
}

function sentence(jar, curve) {
  const levels = curve.curve.middle_mm;
  if (!levels.length) return "No level has been read in this cycle yet.";
  const ahead = jar.forecast?.peak_at ? ` The peak is expected ${jar.forecast.peak_at.words}.` : "";
  return `Level over time: ${curve.level_known ? `from ${sayLength(levels[0])} to ${sayLength(levels[levels.length - 1])}` : "no heights known"}` +
    `${jar.peak ? `, peak at ${clock(jar.peak.at_s)}` : ""}${jar.fall ? `, sinking since ${clock(jar.fall.at_s)}` : ""}.${ahead}`;
}

function tellPanel(name) {
  const field = (key, label) => el("input", { type: "number", class: "grams", name: key, min: 0, max: 20000, step: "any", inputmode: "decimal" });
  const inputs = { starter_g: field("starter_g"), flour_g: field("flour_g"), water_g: field("water_g") };
  const flour = el("input", { type: "text", name: "flour", maxlength: 100, autocomplete: "off" });
  const when = el("select", { name: "when" }, ...SINCE.map(([minutes, words]) => el("option", { value: minutes }, words)));
  const said = el("p", { class: "said", role: "status" });
  const question = el("div");
  const buttons = [];
  let touched = false, asked = null;
  for (const input of [...Object.values(inputs), flour]) input.addEventListener("input", () => { touched = true; });

  async function tell(what, body, done) {
    for (const button of buttons) button.disabled = true;
    said.textContent = "…";
    try {
      await post(jarPath(name, what), body);
      said.textContent = done;
      touched = false;
    } catch (error) {
      said.textContent = `Not recorded: ${error.message}`;
    } finally {
      setTimeout(() => { for (const button of buttons) button.disabled = false; }, 1500); // a thumb taps twice
    }
  }
  const button = (words, other, act) => {
    const made = el("button", { type: "button", class: other ? "other" : null, onclick: act }, words);
    buttons.push(made);
    return made;
  };
  const note = (what, text, done) => () => tell("noted", { what, text }, done);
  const number = (input) => (input.value === "" ? null : Number(input.value));

  const what = el("select", {}, ...NOTES.map(([key, words]) => el("option", { value: key }, words)));
  const text = el("input", { type: "text", maxlength: 2000, autocomplete: "off" });
  const noteIt = button("Note", true, () => tell("noted", { what: what.value, text: text.value }, what.value === "mould" ? MOULD : "Noted."));
  const fed = button("Fed", false, () => tell("fed", {
    starter_g: number(inputs.starter_g), flour_g: number(inputs.flour_g), water_g: number(inputs.water_g),
    flour: flour.value || null, minutes_ago: Number(when.value),
  }, "Feeding recorded."));
  const node = el("section", { class: "tell", "aria-label": `Tell about ${name}` }, question,
    el("div", { class: "row" },
      el("label", {}, "Starter, g", inputs.starter_g), el("label", {}, "Flour, g", inputs.flour_g), el("label", {}, "Water, g", inputs.water_g),
      el("label", {}, "Which flour", flour), el("label", {}, "When", when), fed),
    el("div", { class: "row" },
      button("Seen hooch", true, note("hooch", "", "Noted: hooch means hungry. Stir it in or pour it off, and feed.")),
      button("Snooze 3 h", true, () => tell("snoozed", { hours: 3 }, "No notices for 3 hours, except what cannot wait."))),
    el("details", {}, el("summary", {}, "Note something else"),
      el("div", { class: "row" }, el("label", {}, "What", what), el("label", {}, "In your words", text), noteIt)),
    said);
  return {
    node,
    update(jar) {
      if (!touched && !node.contains(document.activeElement)) {
        for (const [key, input] of Object.entries(inputs)) input.value = jar.last_feeding?.[key] ?? "";
        flour.value = jar.last_feeding?.flour ?? "";
      }
      if (jar.question === asked) return;
      asked = jar.question ?? null;
      question.replaceChildren(...(asked ? [el("p", { class: "bad" }, asked), el("div", { class: "row" },
        button("It was fed", false, () => fed.click()),
        button("Stirred down", true, note("stirred", "", "Noted: stirred down.")),
        button("Took some", true, note("taken", "", "Noted: some taken.")))] : []));
    },
  };
}
