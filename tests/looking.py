"""A view looked at as people have it: on a phone, at a desk and on a wall, by day and by night, in one page of one
browser. In each the rules of axe find nothing, nothing scrolls sideways, no label lies over another or is cut off, and
no letter of a picture is smaller than 13 px."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

from playwright.sync_api import Page

from tests.browsing import findings

SIZES = {"phone": (390, 844), "desk": (1280, 900), "wall": (1920, 1080)}
SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")
LEAST_PX = 13.0  # of a letter in a picture, on the screen: a drawing may be scaled

# until each chart has the width of its box, in the colours of the moment, and nothing moves any more
AT_REST = """async () => {
  const frame = () => new Promise(go => requestAnimationFrame(go));
  const fits = () => [...document.querySelectorAll('.rise:has(svg.over)')].every(box => box.clientWidth < 50
    || Math.abs(box.querySelector('svg.over').width.baseVal.value - Math.floor(box.clientWidth)) < 2);
  const shelved = () => { const shelf = document.querySelector('svg.shelf'); return !shelf
    || Math.abs(shelf.width.baseVal.value - Math.floor(shelf.parentElement.clientWidth - 16)) < 9; };
  const calm = () => document.getAnimations().every(one => one.playState !== 'running');
  for (let steady = 0; steady < 2;) { await frame(); steady = fits() && shelved() && calm() ? steady + 1 : 0; }
}"""

WRONG = """least => {
  const out = [], all = document.documentElement;
  if (all.scrollWidth > all.clientWidth) out.push(`it scrolls sideways: ${all.scrollWidth} in ${all.clientWidth} px`);
  for (const drawing of document.querySelectorAll('svg:has(text)')) {
    const outer = drawing.getBoundingClientRect(), labels = [];
    if (!outer.width) continue;
    for (const text of drawing.querySelectorAll('text')) {
      const box = text.getBoundingClientRect(), words = text.textContent;
      if (!box.width) continue;
      labels.push([words, box]);
      const px = parseFloat(getComputedStyle(text).fontSize) * text.getScreenCTM().d;
      if (px < least - 0.05) out.push(`${words}: ${px.toFixed(1)} px high`);
      if (box.left < outer.left - 1 || box.right > outer.right + 1) out.push(`${words}: runs out of its picture`);
    }
    labels.forEach(([a, p], i) => labels.slice(i + 1).forEach(([b, q]) => {
      const across = Math.min(p.right, q.right) - Math.max(p.left, q.left);
      const down = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
      if (across > 1 && down > 3) out.push(`${a} / ${b} lie over each other`); })); // empty margins of lines may touch
  }
  for (const node of document.querySelectorAll('main *')) { // words that their own box cuts off
    const look = getComputedStyle(node);
    if (!/hidden|clip/.test(look.overflowX) || look.clipPath !== 'none') continue;
    if (look.textOverflow === 'ellipsis' || node.readOnly) continue; // meant so
    const words = node.textContent.slice(0, 40) || node.value || node.placeholder || node.className;
    if (node.clientWidth && node.scrollWidth > node.clientWidth + 1) out.push(`${words}: cut off`);
  }
  return [...new Set(out)];
}"""


def looks(page: Page) -> Iterator[str]:
    """The view that stands on a page, in every size and light; yields what is wrong in each."""
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        yield from in_both_lights(page, size)


def in_both_lights(page: Page, size: str) -> Iterator[str]:
    """The same in the size that the page has."""
    for scheme in SCHEMES:
        page.emulate_media(color_scheme=scheme)
        page.evaluate(AT_REST)
        yield from (f"{size}, {scheme}: {wrong}" for wrong in page.evaluate(WRONG, LEAST_PX))
        yield from (f"{size}, {scheme}: {rule} {nodes}" for rule, nodes in findings(page))


def shot(page: Page, name: str) -> None:
    """A picture for whoever wants to look."""
    if folder := os.environ.get("JARTIDE_SCREENSHOTS"):
        page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)
