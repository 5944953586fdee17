// A chart as a picture file, drawn again from what is on the screen: the canvas and the words and shapes on top of it.

import { colour } from "./charts.js";
import { el } from "./words.js";

const PAD = 24, TITLE = 26, FINENESS = 2;

/** Save a chart's figure as a PNG under a title. */
export function savePicture(figure, title, name) {
  const box = figure.querySelector(".rise"), over = box.querySelector("svg.over"), drawn = box.querySelector("canvas");
  const wide = box.clientWidth, high = box.clientHeight, sheet = el("canvas", { width: (wide + 2 * PAD) * FINENESS, height: (high + 2 * PAD + TITLE * 2) * FINENESS });
  const ctx = sheet.getContext("2d");
  ctx.scale(FINENESS, FINENESS);
  ctx.fillStyle = colour("plate");
  ctx.fillRect(0, 0, sheet.width, sheet.height);
  ctx.fillStyle = colour("ink");
  const face = getComputedStyle(document.body).fontFamily;
  for (let size = 20; size >= 13; size--) { ctx.font = `700 ${size}px ${face}`; if (ctx.measureText(title).width <= wide) break; }
  ctx.fillText(title, PAD, PAD + TITLE * 0.7, wide);
  ctx.translate(PAD, PAD + TITLE * 2);
  const at = drawn.getBoundingClientRect(), from = over.getBoundingClientRect();
  ctx.drawImage(drawn, at.left - from.left, at.top - from.top, at.width, at.height);
  for (const child of over.children) paint(ctx, child);
  sheet.toBlob((blob) => save(blob, `${name}.png`));
}

/** Offer a file for download. */
export function save(blob, name) {
  const link = el("a", { href: URL.createObjectURL(blob), download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}

/** Draws one element of an SVG and its children, in the colours that they have on the screen. */
function paint(ctx, node) {
  if (node.nodeName === "clipPath" || node.nodeName === "title") return;
  const look = getComputedStyle(node);
  ctx.save();
  const move = node.transform?.baseVal.consolidate()?.matrix;
  if (move) ctx.transform(move.a, move.b, move.c, move.d, move.e, move.f);
  ctx.globalAlpha *= Number(look.opacity);
  const clip = node.getAttribute("clip-path")?.match(/#([\w-]+)/)?.[1];
  if (clip) ctx.clip(outline(document.getElementById(clip).firstElementChild));
  if (node.nodeName === "g") for (const child of node.children) paint(ctx, child);
  else fillAndStroke(ctx, node, look);
  ctx.restore();
}

function fillAndStroke(ctx, node, look) {
  const seen = (value) => value && value !== "none";
  ctx.lineWidth = parseFloat(look.strokeWidth) || 1;
  ctx.lineCap = look.strokeLinecap;
  ctx.lineJoin = look.strokeLinejoin;
  ctx.setLineDash(look.strokeDasharray === "none" ? [] : look.strokeDasharray.split(/[\s,]+/).map(parseFloat));
  ctx.fillStyle = look.fill;
  ctx.strokeStyle = look.stroke;
  if (node.nodeName === "text") {
    ctx.font = `${look.fontWeight} ${look.fontSize} ${look.fontFamily}`;
    ctx.textAlign = { middle: "center", end: "right" }[look.textAnchor] ?? "left";
    const x = Number(node.getAttribute("x")), y = Number(node.getAttribute("y"));
    if (seen(look.stroke)) ctx.strokeText(node.textContent, x, y); // a halo lies under the letters
    ctx.fillText(node.textContent, x, y);
    return;
  }
  const shape = outline(node);
  if (seen(look.fill)) ctx.fill(shape, look.fillRule);
  if (seen(look.stroke)) ctx.stroke(shape);
}

function outline(node) {
  const number = (key) => Number(node.getAttribute(key) ?? 0), made = new Path2D();
  switch (node.nodeName) {
    case "path": return new Path2D(node.getAttribute("d") ?? "");
    case "rect": made.roundRect(number("x"), number("y"), number("width"), number("height"), number("rx")); break;
    case "circle": made.arc(number("cx"), number("cy"), number("r"), 0, 2 * Math.PI); break;
    case "ellipse": made.ellipse(number("cx"), number("cy"), number("rx"), number("ry"), 0, 0, 2 * Math.PI); break;
  }
  return made;
}
