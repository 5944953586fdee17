// The jar itself: how high the dough stands between the inside bottom and the rim, where it started, where its top was.
// The surface bulges while it rises, lies flat at the peak and hollows while it sinks, so its shape says it as well.

import { sayLength, svg } from "./words.js";

const BOTTOM = 142, TOP = 22; // of the inside, in units of the drawing
const BULGE = { rising: -9, settling: -3, falling: 8, peaked: 0 };

let count = 0;

export function jarPicture() {
  const id = `dough-${++count}`;
  const dough = svg("path", { class: "dough" });
  const bubbles = svg("g", {});
  const started = svg("line", { class: "started", x1: 12, x2: 88 });
  const highest = svg("path", { class: "highest" });
  const node = svg("svg", { viewBox: "0 0 100 150", role: "img" },
    svg("defs", {}, svg("clipPath", { id }, svg("path", { d: inside() }))),
    svg("g", { "clip-path": `url(#${id})` }, dough, bubbles), started, highest,
    svg("path", { class: "glass", d: "M18 6h64v9q8 5 8 15v104q0 12-12 12H22q-12 0-12-12V30q0-10 8-15z" }));

  function show(jar, start_mm, highest_mm) {
    const full_mm = jar.rim_mm ?? Math.max((highest_mm ?? 0) * 1.25, (jar.level_mm ?? 0) * 1.25, (start_mm ?? 0) * 2.2, 60);
    const y = (mm) => BOTTOM - Math.min(Math.max(mm / full_mm, 0), 1.04) * (BOTTOM - TOP);
    if (jar.level_mm === null) {
      dough.setAttribute("d", "");
      bubbles.replaceChildren();
      started.setAttribute("visibility", "hidden");
      highest.setAttribute("d", "");
      node.setAttribute("aria-label", "A jar whose level is not known.");
      return;
    }
    const top = y(jar.level_mm), bulge = BULGE[jar.stage] ?? 0;
    dough.setAttribute("d", `M6 ${top}Q50 ${top + bulge * 2} 94 ${top}V150H6Z`);
    const wanted = jar.stage === "rising" ? 9 : jar.stage === "peaked" ? 6 : jar.stage === "falling" ? 3 : 1;
    bubbles.replaceChildren(...[...Array(wanted).keys()].map((i) => svg("circle", {
      class: "bubble", r: 1.6 + (i % 3), cx: 18 + ((i * 29) % 66), cy: top + 12 + ((i * 37) % Math.max(BOTTOM - top - 16, 4)),
    })));
    const from = start_mm === null ? null : y(start_mm);
    started.setAttribute("visibility", from === null ? "hidden" : "visible");
    if (from !== null) { started.setAttribute("y1", from); started.setAttribute("y2", from); }
    const most = highest_mm === null || highest_mm === undefined ? null : y(highest_mm);
    highest.setAttribute("d", most === null ? "" : `M88 ${most}l9 -5v10z`);
    node.setAttribute("aria-label", `The dough stands ${jar.level_words} above the bottom` +
      (start_mm === null ? "" : `; it started at ${sayLength(start_mm)} (dashed line)`) +
      (most === null ? "." : `; its highest so far was ${sayLength(highest_mm)} (arrow).`));
  }
  return { node, show };
}

function inside() { return "M20 16q-8 5-8 15v102q0 11 11 11h54q11 0 11-11V31q0-10-8-15z"; }
