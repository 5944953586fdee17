// Corrects a note of a past cycle in place, in its list.

import { nearestAt } from "./feeding.js";
import { glyph, tone } from "./glyphs.js";
import { clock, el, jarPath, post } from "./words.js";

export function noteLine(jar, note) {
  const words = el("span", { class: "t" }), row = el("li", {}, el("span", { class: `s-${tone("note")} tinted` }, glyph("note", 24)), words);
  const may = note.may_change && !document.body.hasAttribute("data-read-only");

  function show(says = "") {
    words.replaceChildren(el("b", {}, clock(note.at_s)), ` ${note.says}`,
      ...(may ? [" ", el("button", { type: "button", class: "plain", "aria-label": `Change the note of ${clock(note.at_s)}`, onclick: edit }, "Change")] : []), ...(says ? [el("p", { class: "said", role: "status" }, says)] : []));
  }
  function edit() {
    const text = el("input", { type: "text", maxlength: 2000, value: note.text, autocomplete: "off" });
    const at = el("input", { type: "time", value: clock(note.at_s), required: true });
    const save = () => keep(text.value, at.value === clock(note.at_s) ? note.at_s : nearestAt(note.at_s, at.value));
    const button = (says, does, names = "other") => el("button", { type: "button", class: names, onclick: does }, says);
    text.addEventListener("keydown", (event) => { if (event.key === "Enter") save(); if (event.key === "Escape") show(); });
    words.replaceChildren(el("div", { class: "row" }, el("label", {}, "Noted at", at), el("label", {}, note.what_words, text)), el("div", { class: "row" }, button("Save", save, "main"), button("Remove the note", () => keep(null, note.at_s)), button("Cancel", () => show())));
    text.focus();
  }
  async function keep(new_text, new_at_s) {
    if (new_at_s === null) { show("Not changed: check the time."); return; }
    try {
      await post(jarPath(jar, "note_changed"), { at_s: note.at_s, what: note.what, text: note.text, new_text, new_at_s });
      if (new_text === null) { row.remove(); return; }
      note = { ...note, at_s: new_at_s, text: new_text, says: new_text ? `${note.what_words}: ${new_text}` : note.what_words };
      show("Changed.");
    } catch (error) { show(`Not changed: ${error.message}.`); }
  }
  show();
  return row;
}
