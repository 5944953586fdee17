// The jar: a glass with dough in it. It stands to the left of a chart, at the chart's scale, and beside the others on the
// shelf. The surface bulges while the dough rises and hollows while it sinks, so that its shape shows it too.

import { svg } from "./words.js";

const BULGE = { rising: -1, settling: -0.2, peak: -0.35, sinking: 0.8, feed: 0.8 };
const BUBBLES = { rising: 12, peak: 9, sinking: 4, feed: 4, resting: 2, settling: 3 };
let count = 0;

/** A pseudo-random number from 0 to 1 that is the same each time, so that bubbles do not jump about. */
const scattered = (k, of) => ((Math.sin(k * 127.1 + of * 311.7) * 43758.5453) % 1 + 1) % 1;

export function vessel() {
  const id = `glass-${++count}`;
  const clip = svg("path"), back = svg("path", { class: "glass-in" }), dough = svg("path", { class: "dough" });
  const bubbles = svg("g"), crust = svg("path", { class: "crust" }), glass = svg("path", { class: "glass" });
  const lid = svg("rect", { class: "lid" }), knob = svg("rect", { class: "lid" });
  const node = svg("g", {}, svg("clipPath", { id }, clip), back,
    svg("g", { "clip-path": `url(#${id})` }, dough, bubbles, crust), glass, lid, knob);

  /** Place it: left edge, width, floor, rim (y grows downwards), the surface or null, the look, the stroke. */
  function place({ x, w, floor, rim, surface, look, stroke, off }) {
    const r = w * 0.16, sh = w * 0.1, nk = Math.min((floor - rim) * 0.16, w * 0.3);
    const body = `M${x + sh} ${rim}V${rim + nk * 0.45}Q${x} ${rim + nk * 0.62} ${x} ${rim + nk}V${floor - r}Q${x} ${floor} ${x + r} ${floor}` +
      `H${x + w - r}Q${x + w} ${floor} ${x + w} ${floor - r}V${rim + nk}Q${x + w} ${rim + nk * 0.62} ${x + w - sh} ${rim + nk * 0.45}V${rim}Z`;
    for (const path of [clip, back, glass]) path.setAttribute("d", body);
    glass.setAttribute("stroke-width", stroke);
    glass.classList.toggle("empty", surface === null);
    crust.setAttribute("stroke-width", stroke);
    const h = Math.max(4, w * 0.085), lift = off ? h * 2.4 : 0;
    for (const [part, px, py, pw, ph, round] of [[lid, x + sh * 0.4, rim - h - 1 - lift, w - sh * 0.8, h, 0.35], [knob, x + w * 0.4, rim - h * 1.85 - lift, w * 0.2, h, 0.3]]) {
      for (const [key, value] of Object.entries({ x: px, y: py, width: pw, height: ph, rx: h * round })) part.setAttribute(key, value);
      if (off) part.setAttribute("transform", `rotate(-14 ${x + w / 2} ${rim})`); else part.removeAttribute("transform");
    }
    if (surface === null) { dough.setAttribute("d", ""); crust.setAttribute("d", ""); bubbles.replaceChildren(); return; }
    const b = (BULGE[look] ?? 0) * w * 0.14, top = Math.min(Math.max(surface, rim), floor);
    dough.setAttribute("d", `M${x - 2} ${top}Q${x + w / 2} ${top + 2 * b} ${x + w + 2} ${top}V${floor + 2}H${x - 2}Z`);
    crust.setAttribute("d", `M${x - 2} ${top}Q${x + w / 2} ${top + 2 * b} ${x + w + 2} ${top}`);
    const low = top + 8 + Math.max(b, 0), room = floor - 6 - low;
    bubbles.replaceChildren(...(room < 6 ? [] : [...Array(BUBBLES[look] ?? 2).keys()].map((k) => svg("circle", {
      class: "bubble", cx: x + (0.1 + 0.8 * scattered(k, 1)) * w, cy: low + room * scattered(k, 2), r: w * (0.022 + 0.038 * scattered(k, 3)),
    }))));
  }
  return { node, place };
}
