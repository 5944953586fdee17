// The shapes of the stages: each look of a jar has its own, so that nothing is said by colour alone. They are drawn in a
// square of 24 units; `token` is the shape on its coloured tile, as shown before the large word.

import { el, svg } from "./words.js";

const GLYPHS = {
  settling: '<circle cx="5" cy="12" r="2.9"/><circle cx="12" cy="12" r="2.9"/><circle cx="19" cy="12" r="2.9"/>',
  rising: '<path d="M12 4.2 20.6 19H3.4Z" stroke="currentColor" stroke-width="2" stroke-linejoin="round"/>',
  peak: '<path d="M12 2.6 21.4 12 12 21.4 2.6 12Z" stroke="currentColor" stroke-width="1.6" stroke-linejoin="round"/>',
  sinking: '<path d="M12 19.8 3.4 5h17.2Z" stroke="currentColor" stroke-width="2" stroke-linejoin="round"/>',
  feed: '<ellipse cx="8.2" cy="8.2" rx="7" ry="5.1" transform="rotate(45 8.2 8.2)"/><path d="M12.4 12.4 20.6 20.6" stroke="currentColor" stroke-width="4" stroke-linecap="round"/>',
  resting: '<path fill="none" stroke="currentColor" stroke-width="2.5" stroke-linecap="round" d="M12 2.5v19M3.8 7.2l16.4 9.6M20.2 7.2 3.8 16.8M9.2 4.2 12 6.6l2.8-2.4M9.2 19.8 12 17.4l2.8 2.4"/>',
  silent: '<circle cx="12" cy="18.5" r="2.6"/><path fill="none" stroke="currentColor" stroke-width="2.6" stroke-linecap="round" d="M7 13.2a7 7 0 0 1 10 0M3.4 9.2a12.2 12.2 0 0 1 17.2 0M4 21 20 3.5"/>',
  flat: '<rect x="2.6" y="9.6" width="18.8" height="4.8" rx="2"/>',
  new: '<path fill="none" stroke="currentColor" stroke-width="2.2" stroke-dasharray="3.4 2.6" d="M6.2 2.4h11.6v3l2.6 3V18a3.4 3.4 0 0 1-3.4 3.4H7A3.4 3.4 0 0 1 3.6 18V8.4l2.6-3Z"/>',
  away: '<path fill="none" stroke="currentColor" stroke-width="2.6" stroke-linecap="round" d="M3 20.5h18M12 15V4M7.5 8.2 12 3.6l4.5 4.6"/>',
  watching: '<path fill="none" stroke="currentColor" stroke-width="2.2" d="M2 12q10-13 20 0q-10 13-20 0z"/><circle cx="12" cy="12" r="3.6"/>',
  ask: '<path fill="none" stroke="currentColor" stroke-width="3.2" stroke-linecap="round" d="M7 8.4a5 5 0 1 1 7.4 4.2c-1.700 1-2.400 1.800-2.400 3.400"/><circle cx="12" cy="20.4" r="2"/>',
  throw_away: '<path fill-rule="evenodd" d="M12 2.2 22.6 21H1.4ZM10.7 9v6h2.6V9Zm0 7.4v2.4h2.6v-2.4Z" stroke="currentColor" stroke-linejoin="round"/>',
  ok: '<path fill="none" stroke="currentColor" stroke-width="3.4" stroke-linecap="round" stroke-linejoin="round" d="M4.5 12.5 10 18 20 6.5"/>',
  look: '<path fill-rule="evenodd" d="M12 2.2 22.6 21H1.4ZM10.7 9v6h2.6V9Zm0 7.4v2.4h2.6v-2.4Z" stroke="currentColor" stroke-linejoin="round"/>',
  note: '<path d="M4 3h12l4 4v14H4z" fill="none" stroke="currentColor" stroke-width="2.2" stroke-linejoin="round"/><path d="M8 10h8M8 15h8" stroke="currentColor" stroke-width="2.2"/>',
};
const TONES = { throw_away: "silent", ask: "silent", watching: "settling", away: "settling", new: "settling", note: "silent" };

/** The role of a look's colour: some looks share one. */
export const tone = (look) => TONES[look] ?? look;

const read = new Map(); // each drawing is parsed once
function shapes(look) {
  const key = Object.hasOwn(GLYPHS, look) ? look : "watching";
  if (!read.has(key)) {
    const held = svg("g");
    held.innerHTML = GLYPHS[key]; // our own drawings, never text that a user wrote
    read.set(key, held);
  }
  return read.get(key).cloneNode(true).childNodes;
}

/** A shape as a drawing of its own. */
export function glyph(look, size = 24) {
  const made = svg("svg", { class: "glyph", viewBox: "0 0 24 24", width: size, height: size, fill: "currentColor", "aria-hidden": "true" });
  made.append(...shapes(look));
  return made;
}

/** A shape inside another drawing, its middle at x, y. */
export function glyphAt(look, x, y, size, names = "") {
  const scale = size / 24;
  const made = svg("g", { transform: `translate(${x - size / 2} ${y - size / 2}) scale(${scale})`, class: `at ${names}`, fill: "currentColor" });
  made.append(...shapes(look));
  return made;
}

/** The shape on its coloured tile. */
export const token = (look, size = "large") => el("span", { class: `token ${size} s-${tone(look)}` }, glyph(look));
