// The guided set-up, one question per step. A hand held under the lid shows that the sensor works, the jar is measured, and
// the config is shown before it is written.

import { calibrate } from "./calibrate.js";
import { el, get, send, svg } from "./words.js";

const EVERY_MS = 1000, QUIET = ["22:30", "06:30"];
const main = document.getElementById("main");
const answers = { sensor: null, jar: "", flour: "", empty_mm: null, geometry: null, rim_mm: null, ultrasonic: false, quiet_from: QUIET[0], quiet_to: QUIET[1], address: "", page_password: "" };
const STEPS = [sensorStep, jarStep, measureStep, noticesStep, writeStep];
let leave = () => {};

function go(step) {
  leave();
  leave = () => {};
  const bar = el("div", { class: "stepbar", "aria-hidden": "true" }, ...STEPS.map((_, i) => el("i", { class: i <= step ? "on" : null })));
  const box = el("div", { class: "view" }), title = el("h1", { tabindex: -1 });
  main.replaceChildren(el("div", { class: "view" }, bar, el("p", { class: "soft" }, `Step ${step + 1} of ${STEPS.length}`), title, box));
  const forth = (words, may = () => true) => el("button", { type: "button", onclick: () => { if (may()) go(step + 1); } }, words);
  const back = step ? el("button", { type: "button", class: "other", onclick: () => go(step - 1) }, "Back") : null;
  leave = STEPS[step](box, title, { forth, back, row: (...more) => el("div", { class: "row setup-row" }, back, ...more) }) ?? (() => {});
  scrollTo(0, 0);
  title.focus({ preventScroll: true });
}

/** A small line of the latest distances: a hand under the lid moves it. */
function trail(mm) {
  const wide = 200, high = 44, low = Math.min(...mm), span = Math.max(Math.max(...mm) - low, 20);
  const d = mm.map((one, i) => `${i ? "L" : "M"}${(4 + i * (wide - 8) / Math.max(mm.length - 1, 1)).toFixed(1)} ${(high - 6 - (one - low) / span * (high - 12)).toFixed(1)}`).join("");
  return svg("svg", { class: "trail", viewBox: `0 0 ${wide} ${high}`, width: wide, height: high, "aria-hidden": "true" }, svg("path", { class: "level", "stroke-width": 3, d }));
}

function sensorStep(box, title, { forth, row }) {
  title.textContent = "Which sensor is it?";
  let timer = null, alive = true;
  const words = el("p"), shown = el("section", { class: "plate", "aria-label": "The chosen sensor", hidden: true }), list = el("div", { class: "choices", role: "radiogroup", "aria-label": "Sensors" }), troubles = el("div");
  const said = el("p", { class: "said", role: "status" });
  const host = el("input", { type: "text", autocomplete: "off", value: "localhost" }), user = el("input", { type: "text", autocomplete: "off" }), password = el("input", { type: "password", autocomplete: "off" });
  const broker = el("details", {}, el("summary", {}, "It sends over Wi-Fi, through an MQTT broker"), el("form", { class: "in-turn", onsubmit: async (event) => {
    event.preventDefault();
    said.textContent = "…";
    try { await send("api/broker", { host: host.value.trim(), user: user.value || null, password: password.value || null }); said.textContent = `Listening to ${host.value}; sensors are listed as they send, which may take a minute.`; } catch (error) { said.textContent = String(error.message); }
  } }, el("div", { class: "fields" }, el("label", {}, "The broker’s name or address", host), el("label", {}, "The user, if it needs one", user), el("label", {}, "The password", password)), el("div", { class: "row" }, el("button", { type: "submit", class: "other" }, "Listen there")), said));
  const next = forth("That is the one", () => answers.sensor !== null), later = el("button", { type: "button", class: "other", onclick: () => { answers.sensor = null; go(1); } }, "Later");
  box.append(words, shown, list, troubles, el("p", { class: "soft" }, "Nothing listed? Plug the board in and wait a few seconds. The search goes on."), el("section", { class: "plate" }, el("div", { class: "in" }, broker)), row(later, next));

  function choose(one) { answers.sensor = one.id; if (!answers.jar && one.jar) answers.jar = one.jar; }
  async function look() {
    let now;
    try { now = await get("api/speaking"); } catch (error) { words.textContent = String(error.message); timer = setTimeout(look, EVERY_MS); return; }
    if (!alive) return;
    const some = now.candidates;
    if (answers.sensor === null && some.length === 1) choose(some[0]);
    const held = document.activeElement?.dataset?.id;
    words.textContent = some.length === 0 ? "None is sending yet." : some.length === 1 ? "One is sending. Hold a hand under the lid: its number should follow." : `${some.length} are sending. Take the lid in your hand and choose the one whose number follows.`;
    list.replaceChildren(...some.map((one) => el("label", { class: `choice-card${one.id === answers.sensor ? " on" : ""}` }, el("input", { type: "radio", name: "sensor", "data-id": one.id, checked: one.id === answers.sensor, onchange: () => { choose(one); look(); } }),
      el("span", { class: "t" }, el("b", {}, one.kind === "serial" ? "A board with a USB plug" : "Through the broker"), el("br"), el("span", { class: "soft" }, `${one.where}${one.jar ? `, says “${one.jar}”` : ""}`)), el("b", { class: "mm" }, one.distance_mm === null ? "–" : `${one.distance_mm.toFixed(0)} mm`))));
    if (held) list.querySelector(`[data-id="${CSS.escape(held)}"]`)?.focus();
    const mine = some.find((one) => one.id === answers.sensor);
    shown.hidden = !mine;
    if (mine) shown.replaceChildren(el("div", { class: "in" }, el("p", { class: "mm-big" }, mine.distance_mm === null ? "–" : `${mine.distance_mm.toFixed(0)} mm`), el("p", { class: "soft" }, `from the lid to what lies below${mine.temperature_c === null ? "" : `; ${mine.temperature_c.toFixed(1)} °C`}`), trail(mine.trail), el("p", { class: "soft" }, "a hand under it moves the line")));
    troubles.replaceChildren(...now.troubles.map((says) => el("p", { class: "bad" }, says)));
    next.disabled = answers.sensor === null;
    clearTimeout(timer);
    timer = setTimeout(look, EVERY_MS);
  }
  next.disabled = true;
  look();
  return () => { alive = false; clearTimeout(timer); };
}

function jarStep(box, title, { forth, row }) {
  title.textContent = "What is the jar called?";
  const name = el("input", { type: "text", value: answers.jar || "rye", maxlength: 40, autocomplete: "off" }), flour = el("input", { type: "text", value: answers.flour, maxlength: 100, autocomplete: "off" });
  const kind = el("select", {}, el("option", { value: "", selected: !answers.ultrasonic }, "optical: looks with light"), el("option", { value: "1", selected: answers.ultrasonic }, "ultrasonic: two round eyes, hears an echo"));
  const said = el("p", { class: "said", role: "status" });
  box.append(el("section", { class: "plate" }, el("div", { class: "in" }, el("label", {}, "Its name: letters, digits, . _ -", name), el("label", {}, "What flour it is usually fed", flour), el("label", {}, "How the sensor measures", kind), said)),
    row(forth("On", () => {
      if (!/^[A-Za-z0-9][\w.-]{0,39}$/.test(name.value)) { said.textContent = "A name of letters, digits, . _ - without spaces, please: it is used in topics and file names."; name.focus(); return false; }
      Object.assign(answers, { jar: name.value, flour: flour.value.trim(), ultrasonic: kind.value === "1" });
      return true;
    })));
}

function measureStep(box, title, { forth, row }) {
  title.textContent = "How deep is the jar?";
  const rim = el("input", { type: "number", min: 20, max: 1000, step: "any", inputmode: "decimal", value: answers.rim_mm ?? "" });
  const part = el("section", { class: "plate" }, el("div", { class: "in" })), inside = part.firstElementChild;
  let end = () => {};
  if (answers.sensor !== null) {
    end = calibrate(inside, { jar: answers.jar, sensor: answers.ultrasonic ? "ultrasonic" : "optical", read: (since_s) => get(`api/distances?id=${encodeURIComponent(answers.sensor)}&since_s=${since_s}`), fit: (body) => send("api/fit", body),
      keep: (values, said) => { Object.assign(answers, values); said.textContent = "Saved. Go on."; } });
  } else inside.append(el("p", {}, "Without a sensor it cannot be measured now: ", el("code", {}, "jartide calibrate"), " or the page’s settings can do it later."));
  box.append(part, el("section", { class: "plate" }, el("div", { class: "in" }, el("label", {}, "How high the rim is above the inside bottom, mm (for a warning before it runs over; optional)", rim))),
    row(forth("On", () => { answers.rim_mm = rim.value === "" ? null : Number(rim.value); return true; })));
  return () => end();
}

function noticesStep(box, title, { forth, row }) {
  title.textContent = "When should nobody be woken?";
  const from = el("input", { type: "time", value: answers.quiet_from }), to = el("input", { type: "time", value: answers.quiet_to });
  const address = el("input", { type: "text", autocomplete: "off", placeholder: "ntfy://ntfy.lan/our-jars", value: answers.address }), password = el("input", { type: "password", autocomplete: "new-password", value: answers.page_password });
  box.append(el("section", { class: "plate" }, el("div", { class: "in" }, el("div", { class: "fields" }, el("label", {}, "Quiet from", from), el("label", {}, "until", to)), el("p", { class: "soft" }, "Empty: notices come at any hour."),
    el("label", {}, "Where else notices should go (an apprise address; optional)", address), el("label", {}, "A password for the page: with one, settings can be changed there (optional)", password))),
  row(forth("On", () => { Object.assign(answers, { quiet_from: from.value, quiet_to: to.value, address: address.value.trim(), page_password: password.value }); return true; })));
}

function writeStep(box, title, { row }) {
  title.textContent = "This will be written";
  const text = el("pre", { class: "config", tabindex: 0, role: "region", "aria-label": "The config" }), said = el("p", { class: "said", role: "status" }), file = document.body.dataset.config;
  const write = el("button", { type: "button", disabled: true, onclick: async () => {
    try {
      await send("api/write", answers);
      main.replaceChildren(el("div", { class: "view" }, el("h1", { tabindex: -1 }, "Done"), el("section", { class: "plate" }, el("div", { class: "in" }, el("p", {}, `Written: ${file}`), el("p", {}, "Now, in the terminal: ", el("code", {}, "jartide check"), " tests that everything works, and ", el("code", {}, "jartide watch"), " watches.")))));
    } catch (error) { said.textContent = String(error.message); }
  } }, "Write it");
  box.append(el("section", { class: "plate" }, el("div", { class: "in" }, el("p", { class: "soft" }, `Into ${file}, with secrets in separate files beside it. Every line can be changed later.`), text, said)), row(write));
  send("api/check", answers).then((made) => { text.textContent = made.text; write.disabled = false; }, (error) => { said.textContent = `That does not work yet: ${error.message}`; });
}

go(0);
