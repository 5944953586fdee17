// Settings: what people change, in plain forms. Each change needs the password, is written to the config file, and the file
// is read again.

import { calibrate } from "./calibrate.js";
import { scroll } from "./past.js";
import { el, get, post } from "./words.js";

const SHAPES = { straight: [["diameter_mm", "Inside width, mm"]], tapered: [["bottom_diameter_mm", "Width at the bottom, mm"], ["top_diameter_mm", "Width at the top, mm"], ["height_mm", "Height, mm"]] };

export async function settingsView(main) {
  main.append(el("h1", { tabindex: -1 }, "Settings"));
  const known = await get("api/settings"), may = known.may_change;
  const password = el("input", { type: "password", autocomplete: "current-password", id: "settings-password" });
  const locked = el("section", { class: "plate" }, el("div", { class: "in" }, may
    ? el("label", { class: "narrow-field" }, "The page’s password, needed for every change", password) : el("p", { class: "bad" }, known.why_not),
    may ? el("p", { class: "soft" }, "Changes are saved in the config file, which keeps its comments; a copy of the old file is kept beside it. Everything else is changed there.") : ""));

  async function send(path, body, said) {
    if (!password.value) { said.textContent = "Enter the password first."; password.focus(); return null; }
    said.textContent = "…";
    try {
      const answer = await post(path, { password: password.value, ...body });
      said.textContent = "Saved and in use.";
      return answer;
    } catch (error) { said.textContent = `Not saved: ${error.message}`; return null; }
  }
  const ends = [];
  main.append(locked, el("div", { class: "two" }, quiet(known, send, may), told(known, send, may)), el("div", { class: "pairs" }, ...known.jars.map((jar) => jarForm(jar, known, send, may, ends))));
  return () => ends.forEach((end) => end());
}

/** A form of some fields: only changed fields are sent, and a field that was emptied goes back to its default. */
function form(title, fields, save, may) {
  const said = el("p", { class: "said", role: "status" }), inputs = fields.map(([, , input]) => input);
  const before = inputs.map((input) => input.value);
  const button = el("button", { type: "submit", disabled: !may }, "Save");
  const node = el("form", { class: "plate", onsubmit: async (event) => {
    event.preventDefault();
    const values = {};
    fields.forEach(([key, , input, read], i) => { if (input.value !== before[i]) values[key] = input.value === "" ? null : read(input.value); });
    if (!Object.keys(values).length) { said.textContent = "Nothing was changed."; return; }
    if (await save(values, said)) inputs.forEach((input, i) => { before[i] = input.value; });
  } }, el("div", { class: "in" }, el("h2", {}, title), el("div", { class: "fields" }, ...fields.map(([, words, input]) => el("label", {}, words, input))), el("div", { class: "row" }, button), said));
  if (!may) for (const input of inputs) input.disabled = true;
  return node;
}
const number = (value, [low, high] = [], usual) => el("input", { type: "number", step: "any", inputmode: "decimal", value: value ?? "", min: low ?? null, max: high ?? null, placeholder: usual ?? null });
const words = (value, most) => el("input", { type: "text", value: value ?? "", maxlength: most, autocomplete: "off" });
const hour = (value) => el("input", { type: "time", value: value ?? "" });

function quiet(known, send, may) {
  const { notices, usual, limits } = known;
  const fields = [["quiet_from", "Quiet from", hour(notices.quiet_from), String], ["quiet_to", "Quiet until", hour(notices.quiet_to), String],
    ["daily_summary", "A daily summary at", hour(notices.daily_summary), String], ["repeat_h", "“Feed now” again after, h", number(notices.repeat_h, limits.notices.repeat_h, usual.repeat_h), Number],
    ["peak_ahead_h", "Announce the peak, hours ahead", number(notices.peak_ahead_h, limits.notices.peak_ahead_h, "not announced"), Number],
    ["too_cold_c", "Too cold below, °C", number(notices.too_cold_c, limits.notices.too_cold_c, usual.too_cold_c), Number], ["too_hot_c", "Too warm above, °C", number(notices.too_hot_c, limits.notices.too_hot_c, usual.too_hot_c), Number]];
  const node = form("Quiet hours and notices", fields, (values, said) => send("api/settings", { values }, said), may);
  const said = el("p", { class: "said", role: "status" });
  const ticks = known.kinds.map(({ kind, words: says }) => [kind, el("input", { type: "checkbox", checked: !notices.leave_out.includes(kind), disabled: !may, onchange: async () => {
    const leave_out = ticks.filter(([, tick]) => !tick.checked).map(([one]) => one);
    await send("api/settings", { values: { leave_out: leave_out.length ? leave_out : null } }, said);
  } }), says]);
  node.append(el("div", { class: "in" }, el("fieldset", { class: "ticks" }, el("legend", {}, "Notices about"), ...ticks.map(([, tick, says]) => el("label", {}, tick, ` ${says}`))), said));
  return node;
}

function told(known, send, may) {
  const said = el("p", { class: "said", role: "status" }), address = el("input", { type: "text", autocomplete: "off", maxlength: 2000, placeholder: "ntfy://ntfy.lan/our-jars", disabled: !may });
  const rows = known.addresses.map((one) => el("li", {}, el("span", { class: "t" }, el("b", {}, one.shown), one.remove === null ? el("span", { class: "soft" }, " from the environment") : null),
    el("button", { type: "button", class: "other", disabled: !may, onclick: async () => {
      const answer = await send("api/settings/test", { place: one.place }, said);
      if (answer) said.textContent = answer.sent ? `A test went to ${answer.shown}: did it arrive?` : `No test to ${answer.shown}: ${answer.why_not}`;
    } }, "Send a test"),
    one.remove === null ? null : el("button", { type: "button", class: "other", disabled: !may, onclick: async (event) => { if (await send("api/settings/addresses", { remove: one.remove }, said)) event.target.closest("li").remove(); } }, "Remove")));
  return el("section", { class: "plate" }, el("div", { class: "in" }, el("h2", {}, "Who gets notices"), el("p", { class: "soft" }, rows.length ? "Addresses are secret: no more than this is shown." : "Nobody yet: notices only appear on this page and where the program runs.")),
    el("ul", { class: "rows" }, ...rows), el("form", { class: "in", onsubmit: async (event) => {
      event.preventDefault();
      if (await send("api/settings/addresses", { add: address.value }, said)) { address.value = ""; said.textContent = "Added. Open this view again to send a test."; }
    } }, el("label", {}, "Another address (as apprise writes them)", address), el("div", { class: "row" }, el("button", { type: "submit", disabled: !may }, "Add")), said));
}

function jarForm(jar, known, send, may, ends) {
  const { limits } = known, shape = SHAPES[jar.geometry.shape] ?? [];
  const measures = shape.map(([key, says]) => [key, says, number(jar.geometry[key]), Number]);
  const fields = [["name", "Name", words(jar.name, 40), String], ["flour", "Usual flour", words(jar.flour, 100), String], ["cycle_h", "A rise and fall should take, h", number(jar.cycle_h, limits.jar.cycle_h, 24), Number],
    ["empty_mm", "Sensor reading over the empty jar, mm", number(jar.empty_mm, limits.jar.empty_mm), Number], ["rim_mm", "The rim above the bottom, mm", number(jar.rim_mm, limits.jar.rim_mm), Number], ...measures];
  const save = async (values, said) => {
    const own = new Set(measures.map(([key]) => key)), changed = Object.entries(values);
    const plain = Object.fromEntries(changed.filter(([key]) => !own.has(key)));
    if (changed.some(([key]) => own.has(key))) plain.geometry = { shape: jar.geometry.shape, ...Object.fromEntries(measures.map(([key, , input]) => [key, Number(input.value)]).filter(([, mm]) => mm > 0)) };
    return send("api/settings", { jar: jar.name, values: plain }, said);
  };
  const node = form(jar.name, fields, save, may), low = el("div", { class: "in" });
  if (jar.geometry.shape === "table") low.append(el("details", {}, el("summary", {}, `Its shape was measured at ${jar.geometry.points.length} heights`), scroll(`${jar.name}, shape`, el("table", {}, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "height, mm"), el("th", { scope: "col" }, "volume, ml"))), el("tbody", {}, ...jar.geometry.points.map(([h, v]) => el("tr", {}, el("td", {}, h), el("td", {}, v))))))));
  low.append(el("p", { class: "soft small" }, "A new name keeps the jar’s past. A sensor that sends its jar’s name must send the new one."));
  if (may) {
    const fold = el("details", {}, el("summary", {}, "Measure it: calibrate the sensor"));
    fold.addEventListener("toggle", () => {
      if (fold.open && fold.childElementCount === 1) ends.push(calibrate(fold, { jar: jar.name, sensor: jar.sensor, read: (since_s) => get(`api/jars/${encodeURIComponent(jar.name)}/distances?since_s=${since_s}`), fit: (body) => post("api/settings/fit", body),
        keep: (values, said) => send("api/settings", { jar: jar.name, values }, said) }));
    });
    low.append(fold);
  }
  node.append(low);
  return node;
}
