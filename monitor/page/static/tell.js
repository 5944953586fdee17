// What a person reports about a jar: one tap for fed, hooch and snooze; the answer to a jar's question; the notebook; and
// undoing a slip. Hands are floury, so the buttons that matter are large, few, and low on the card.

import { lotFields } from "./lots.js";
import { nameField, tellOf } from "./who.js";
import { capital, clock, el, jarPath, post, sayWeight, zoned } from "./words.js";

const MOULD = "Throw all of it away, taste nothing, wash the jar hot and begin again with a clean starter.";
const HUNGRY = "Noted: hooch means hungry. Stir it in or pour it off, and feed.";
const SINCE = [[0, "just now"], [10, "10 min ago"], [30, "half an hour ago"], [60, "1 h ago"], [120, "2 h ago"], [240, "4 h ago"], [480, "8 h ago"]];
const LEAST_G = 0.1, MOST_G = 20000, LEAST_DISCARD_G = 0.001, MOST_DISCARD_G = 99999.999; // as the API takes them
const LEAST_WATER = 0.3, MOST_WATER = 3; // grams per gram of flour: outside this it is no dough for a starter
const TWICE_MS = 1500, HOLD_MS = 1000, READ_MS = 20_000; // a thumb taps twice; another jar has come under it; what was told is read
const SNOOZES = [[1, "1 h"], [3, "3 h"], [8, "8 h"], [24, "24 h"]];
// the notebook's entries: key, label, what else is asked ("text", "grams", or choices), a hint
const NOTES = [
  ["smell", "Smell", "text", "sour, fruity, like glue …"],
  ["float_test", "Float test", ["it floated", "it sank"]],
  ["baked", "Baked with it", "text", "which bread, how it came out …"],
  ["discard", "Discard", ["kept", "used", "thrown"], "grams"],
  ["rest", "Moved to the fridge", null],
  ["rest_over", "Out of the fridge", null],
  ["taken", "Some taken to bake", null],
  ["stirred", "Stirred down", null],
  ["hooch", "Hooch: liquid on top", "text", "how much, its colour …"],
  ["mould", "Mould, or pink, orange or black streaks", null],
  ["new_starter", "Another starter is in it now", null],
  ["remark", "A remark", "text", ""],
];

const options = (pairs, chosen) => pairs.map(([value, words]) => el("option", { value, selected: value === chosen }, words));
const weighed = (min, max) => el("input", { type: "number", class: "grams", min, max, step: "any", inputmode: "decimal" });
/** A warning if the grams look like a typing error. */
const doubt = (flour_g, water_g) => (flour_g === null || water_g === null || (water_g >= LEAST_WATER * flour_g && water_g <= MOST_WATER * flour_g) ? ""
  : ` Water is ${Math.round(100 * water_g / flour_g)} % of the flour: if that was a slip, take it back and enter it again.`);
const number = (input) => (input.value === "" ? null : Number(input.value));

export function tellPanel(name, live) {
  const buttons = [];
  let touched = false, asked, jar = null, told_ms = 0;
  const said = el("p", { class: "said", role: "status" });
  const back = el("button", { type: "button", class: "plain", hidden: true, onclick: () => takeBack() }, "");

  const able = (yes) => { for (const button of buttons) button.disabled = !yes; };
  async function send(what, body, done) {
    able(false);
    said.textContent = "…";
    try {
      await (what === "taken_back" ? post(jarPath(name, what), body) : tellOf(name, what, body));
      said.textContent = done;
      told_ms = Date.now();
      touched = false;
      lots.clear();
      for (const input of notebook.querySelectorAll("input")) input.value = "";
    } catch (error) {
      said.textContent = `Not recorded: ${error.message}`;
    } finally {
      setTimeout(able, TWICE_MS, true);
    }
  }
  const button = (words, other, act) => {
    const made = el("button", { type: "button", class: other ? "other" : null, onclick: act }, words);
    buttons.push(made);
    return made;
  };
  const note = (what, text, done) => send("noted", { what, text }, done);
  const takeBack = () => jar?.last_told && send("taken_back", { seq: jar.last_told.seq }, `Taken back: ${jar.last_told.what_words}.`);

  // fed, hooch, snooze
  const grams = { starter_g: weighed(0, MOST_G), flour_g: weighed(LEAST_G, MOST_G), water_g: weighed(0, MOST_G) }; // a feeding adds flour
  for (const [key, input] of Object.entries(grams)) input.name = key;
  const flour = el("input", { type: "text", name: "flour", maxlength: 100, autocomplete: "off" });
  const lots = lotFields("Lot or seed", `#/lots/${encodeURIComponent(name)}`);
  const when = el("select", { name: "when" }, ...options(SINCE, 0));
  const amounts = el("small");
  const sayAmounts = () => {
    const values = Object.values(grams).map((input) => input.value || "?");
    amounts.textContent = values.every((v) => v === "?") ? "no amounts" : `${values.join(" + ")} g`;
  };
  const weights = () => { const values = Object.values(grams).map((input) => input.value); return values.every(Boolean) ? ` ${values.join(" + ")} g` : ""; };
  for (const input of [...Object.values(grams), flour]) input.addEventListener("input", () => { touched = true; sayAmounts(); });
  function feed(minutes_ago) {
    const wrong = Object.values(grams).find((input) => !input.checkValidity() || (number(input) > 0 && number(input) < LEAST_G));
    if (wrong) {
      said.textContent = `Not recorded: ${wrong.name.replace("_g", "")} must be ${wrong === grams.flour_g ? "" : "0, or "}${LEAST_G} to ${MOST_G} g.`;
      unfold(true);
      wrong.focus();
      return;
    }
    send("fed", { ...Object.fromEntries(Object.entries(grams).map(([key, input]) => [key, number(input)])),
      flour: flour.value || null, ...lots.told(), minutes_ago }, `${name}: fed${weights()}. Feeding recorded.${doubt(number(grams.flour_g), number(grams.water_g))}`);
  }
  const fed = button("Fed", true, () => feed(Number(when.value)));
  fed.append(" ", amounts);
  const hours = el("select", { name: "hours" }, ...options(SNOOZES, 3));
  hours.addEventListener("change", () => saySnooze());
  const snoozed = () => send("snoozed", { hours: Number(hours.value) }, `No notices for ${hours.value} h, except what cannot wait.`);
  const snooze = button("Snooze", true, snoozed);
  const saySnooze = () => { snooze.textContent = `Snooze ${hours.value} h`; };
  const hooch = button("Seen hooch", true, () => note("hooch", "", HUNGRY));
  const baked = button("Baked with it", false, () => note("baked", "", "Noted: baked with it."));
  const fridge = button("Into the fridge", true, () => note("rest", "", "Noted: moved to the fridge. No notices until it comes out, except one a week."));
  const out = button("Take it out", false, () => note("rest_over", "", "Noted: out of the fridge."));
  const check = el("a", { class: "button main", href: "#/health" }, "What to check");
  const other = el("button", { type: "button", class: "other", onclick: () => { unfold(true); grams.starter_g.focus(); } }, "Other grams");
  const more = el("button", { type: "button", class: "other", "aria-expanded": "false", onclick: () => unfold(panel.hidden) }, "More");
  const panel = el("section", { class: "more-panel", hidden: true, "aria-label": `More about ${name}` });
  function unfold(open) {
    panel.hidden = !open;
    more.setAttribute("aria-expanded", String(open));
  }

  // the notebook is built when it is first opened: usually it is not
  const notebook = el("details", { class: "notebook" }, el("summary", {}, "Write something down"));
  notebook.addEventListener("toggle", () => { if (notebook.open && notebook.childElementCount === 1) notebook.append(makeNotebook()); });
  function makeNotebook() {
    const what = el("select", {}, ...options(NOTES.map(([key, words]) => [key, words])));
    const choice = el("select"), text = el("input", { type: "text", maxlength: 2000, autocomplete: "off" });
    const weight = weighed(LEAST_DISCARD_G, MOST_DISCARD_G);
    const choosing = el("label", {}, "Which", choice), writing = el("label", { class: "wide" }, "In your words", text), weighing = el("label", {}, "How much, g", weight);
    const kind = () => NOTES.find(([key]) => key === what.value);
    const shape = () => {
      const [, , asks, hint] = kind();
      choosing.hidden = !Array.isArray(asks);
      if (Array.isArray(asks)) choice.replaceChildren(...options(asks.map((words) => [words, words])));
      writing.hidden = asks !== "text";
      text.placeholder = asks === "text" ? hint : "";
      weighing.hidden = hint !== "grams";
    };
    what.addEventListener("change", shape);
    shape();
    const write = button("Write it down", true, () => {
      const [key, words, asks, hint] = kind();
      if (hint === "grams" && !(number(weight) > 0 && weight.checkValidity())) { said.textContent = "How many grams? Weigh it, or guess."; weight.focus(); return; }
      const parts = [Array.isArray(asks) ? choice.value : null, hint === "grams" ? `${Number(number(weight).toFixed(3))}` : null, asks === "text" ? text.value : null];
      note(key, parts.filter((part) => part !== null).join(" "), key === "mould" ? MOULD : key === "hooch" ? HUNGRY : `Noted: ${words.toLowerCase()}.`);
    });
    return el("div", { class: "row" }, el("label", {}, "What", what), choosing, weighing, writing, write);
  }

  // a question that only the person can answer; a feeding is then reported at the time when the level dropped, or at the time
  // that the person gives
  const question = el("div", { class: "question" });
  function ask() {
    if (asked && jar.asked_s) {
      const [from_s, to_s] = jar.asked_s, step_s = Math.max(600, Math.ceil((to_s - from_s) / 24 / 600) * 600), times = [];
      for (let s = Math.ceil(from_s / step_s) * step_s; s <= to_s; s += step_s) times.push([s, clock(s)]);
      if (!times.length) times.push([(from_s + to_s) / 2, clock((from_s + to_s) / 2)]);
      const likely_s = jar.fed?.at_s ?? from_s, nearest = times.reduce((best, one) => (Math.abs(one[0] - likely_s) < Math.abs(best[0] - likely_s) ? one : best));
      const fedAt = el("select", { name: "fed_at" }, ...options(times, nearest[0]));
      question.replaceChildren(el("p", { class: "bad" }, asked), el("div", { class: "row" }, el("label", {}, "Fed at", fedAt),
        button("It was fed then", false, () => feed(Math.max(0, (live.now_s() - Number(fedAt.value)) / 60))),
        button("It was not fed", true, () => jar.fed && wasNone(`fed@${Math.round(jar.fed.at_s)}`, "that was no feeding"))));
      return;
    }
    question.replaceChildren(...(asked ? [el("p", { class: "bad" }, asked), el("div", { class: "row" },
      button("It was fed", false, () => feed(jar.fed ? Math.max(0, (live.now_s() - jar.fed.at_s) / 60) : 0)),
      button("Stirred down", true, () => note("stirred", "", "Noted: stirred down.")),
      button("Took some", true, () => note("taken", "", "Noted: some taken.")))] : []));
  }

  const wasNone = (event, words) => send("not_so", { event }, `Noted: ${words}. It is judged again.`);
  // what was seen since the feeding, each with a button to say that it did not happen
  const seenList = el("ul", { class: "plain in-turn" }), seenPart = el("section", { hidden: true, "aria-label": "What was seen" }, el("h3", {}, "What was seen"), seenList);
  let seenSaid = "";
  function saySeen() {
    const text = JSON.stringify([jar.seen, jar.run, jar.cycle]);
    if (text === seenSaid || panel.contains(document.activeElement)) return;
    seenSaid = text;
    seenPart.hidden = !jar.seen?.length && !jar.fed?.known;
    for (const old of seenList.querySelectorAll("button")) buttons.splice(buttons.indexOf(old), 1);
    seenList.replaceChildren(...(jar.seen ?? []).map((one) => el("li", {}, `${capital(one.words)} `, button(capital(one.none_words), true, () => wasNone(one.event, one.none_words)))),
      ...(jar.fed?.known ? [el("li", {}, el("a", { href: `#/over/${jar.run}:${jar.cycle}` }, "Correct the feeding's time or grams"))] : []));
  }

  // without reported grams the usual ones are assumed: one tap confirms them, another says that they were different
  const usual = el("div", { class: "usual" });
  let taken;
  function askGrams() {
    usual.replaceChildren(...(taken ? [el("p", {}, taken.words), el("div", { class: "row" },
      button("As usual", true, () => send("fed", { starter_g: taken.starter_g, flour_g: taken.flour_g, water_g: taken.water_g, flour: taken.flour ?? null, minutes_ago: sinceFed() }, "Noted: as usual.")),
      el("button", { type: "button", class: "other", onclick: () => { correcting = true; unfold(true); otherwise.textContent = "What it was fed"; sayOtherwise(); grams.starter_g.focus(); } }, "It was other grams"))] : []));
  }
  let correcting = false;
  const sinceFed = () => Math.max(0, (live.now_s() - taken.at_s) / 60);
  const otherwise = el("h3", {}, "Fed differently"), whenBox = el("label", {}, "When", when);
  const likeThis = button("Fed like this", false, () => { feed(correcting && taken ? sinceFed() : Number(when.value)); });
  function sayOtherwise() { whenBox.hidden = correcting; likeThis.textContent = correcting ? "It was fed like this" : "Fed like this"; }

  // when the starter itself was begun: its age decides what a rise is worth
  const begunOn = el("input", { type: "date" });
  const begun = (body, done) => send("begun", body, done);
  const begin = el("details", { class: "notebook" }, el("summary", {}, "When was it begun?"), el("div", { class: "row" }, el("label", {}, "Begun on", begunOn),
    button("Begun then", true, () => {
      const days_ago = Math.round((Date.parse(zoned(live.now_s()).key) - Date.parse(begunOn.value)) / 86_400_000);
      if (!(days_ago >= 0)) { said.textContent = "Which day? It must be in the past."; begunOn.focus(); return; }
      begun({ days_ago }, `Noted: begun on ${begunOn.value}.`);
    }), button("It is an old one", true, () => begun({ how: "old" }, "Noted: an old starter.")), button("Woken from flakes", true, () => begun({ how: "dried" }, "Noted: woken from dried flakes."))));

  const extra = el("div", { class: "row" });
  panel.append(otherwise, el("div", { class: "row" },
    el("label", {}, "Starter, g", grams.starter_g), el("label", {}, "Flour, g", grams.flour_g), el("label", {}, "Water, g", grams.water_g),
    el("label", {}, "Which flour", flour), whenBox, likeThis), lots.node,
  seenPart, el("h3", {}, "Anything else"), el("div", { class: "row" }, el("label", {}, "Snooze for", hours), extra, nameField()), notebook, begin);

  /** The buttons at the foot of a card. */
  function lowOf(look) {
    switch (look) {
      case "feed": return [hooch, fridge, more];
      case "peak": return [baked, fed, more];
      case "resting": return [out, fed, more];
      case "silent": return [check, fed, more];
      case "sinking": return [fed, hooch, more];
      default: return [fed, snooze, more];
    }
  }

  return {
    question, usual, panel, said, back,
    open: () => !panel.hidden,
    /** Something was told just now: it stays to be read and taken back. */
    justTold: () => Date.now() - told_ms < READ_MS,
    /** Takes no tap for a moment: the thumb meant the jar that stood here. */
    hold() {
      able(false);
      setTimeout(able, HOLD_MS, true);
    },
    weight: sayWeight,
    /** The buttons for a look, in the head and at the foot. What is due is the only bright one. */
    arranged(look) {
      fed.className = look === "feed" ? "fed" : look === "new" || look === "watching" ? "main" : "other";
      saySnooze();
      for (const one of [other, snooze, more, hooch, fridge]) one.classList.toggle("ghost", look === "feed" && (one === other || one === snooze));
      const row = (...some) => el("div", { class: "row" }, ...some);
      const low = lowOf(look);
      extra.replaceChildren(...[baked, hooch, fridge, out].filter((one) => !low.includes(one) && !(one === out && look !== "resting") && !(one === fridge && look === "resting") && !(one === baked && look !== "sinking")));
      return [look === "feed" ? [row(fed), row(other, snooze)] : [], low];
    },
    update(next) {
      jar = next;
      if (!touched && !panel.contains(document.activeElement)) {
        for (const [key, input] of Object.entries(grams)) input.value = jar.last_feeding?.[key] ?? "";
        flour.value = jar.last_feeding?.flour ?? "";
        sayAmounts();
      }
      saySeen();
      back.hidden = !jar.last_told;
      if (jar.last_told) back.textContent = `Take back: ${jar.last_told.what_words}, ${jar.last_told.words}`;
      if (JSON.stringify(jar.usual_taken ?? null) !== JSON.stringify(taken ?? null)) {
        taken = jar.usual_taken;
        if (!taken && correcting) { correcting = false; otherwise.textContent = "Fed differently"; sayOtherwise(); }
        askGrams();
      }
      if ((jar.question ?? null) === (asked ?? null)) return;
      asked = jar.question ?? null;
      ask();
    },
  };
}
