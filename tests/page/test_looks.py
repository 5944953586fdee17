"""What the page looks like, measured: in every size, by day and by night the labels of a chart keep apart, nothing
scrolls sideways, axe finds nothing, and no letter is too small."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from monitor.settings import PageSettings
from monitor.values import Fed
from tests.browsing import WAIT_MS, Eyes, card, serious
from tests.night import EMPTY_MM, level_mm
from tests.page.serving import shown
from tests.page_house import Kitchen, settings_of
from tests.servers import free_port

BEGIN_S = 1_795_600_000.0  # a November's noon
HOURS_OPEN = {"rye": 10.5, "wheat": 5.2, "silent": 5.0, "flat": 19.0, "looked into": 4.4, "new": None}
NOW_S = BEGIN_S + 20.0 * 3600.0
SIZES = {"phone": (390, 844), "desk": (1280, 900), "wall": (1920, 1080)}
LEAST_PX = 13.0  # of a letter in a chart

# boxes of the labels that a person can see, and whether any two lie over each other by more than a pixel
OVERLAPS = """figure => {
  const boxes = [...figure.querySelectorAll('text')].map(t => [t.textContent, t.getBoundingClientRect()]), out = [];
  boxes.forEach(([a, p], i) => boxes.slice(i + 1).forEach(([b, q]) => {
    const wide = Math.min(p.right, q.right) - Math.max(p.left, q.left);
    const high = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
    if (wide > 1 && high > 3) out.push(a + ' / ' + b); }));  // lines of text may touch by their empty margins
  return out; }"""
OUTSIDE = """figure => {
  const box = figure.getBoundingClientRect(), boxes = [...figure.querySelectorAll('text')];
  return boxes.filter(t => { const b = t.getBoundingClientRect();
    return b.left < box.left - 1 || b.right > box.right + 1; }).map(t => t.textContent); }"""
SMALLEST = """figure => Math.min(...[...figure.querySelectorAll('text')]
  .map(t => parseFloat(getComputedStyle(t).fontSize)))"""


def distance_mm(jar: str, time_s: float) -> float | None:
    """Invented: a rise each, one sensor that falls silent, one jar that stays flat, one that somebody looks into."""
    hours = HOURS_OPEN[jar]
    if hours is None:
        return None
    since_h = (time_s - (NOW_S - hours * 3600.0)) / 3600.0
    if jar == "silent" and since_h > 2.6:
        return None
    if 0.0 <= since_h < 0.05 or (jar == "looked into" and 3.0 < since_h < 3.15):
        return 320.0
    if jar == "flat" and since_h > 0:
        return EMPTY_MM - 40.0
    return EMPTY_MM - max(level_mm(since_h % 12.0), 30.0)


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    settings = settings_of(tmp_path_factory.mktemp("looks"), list(HOURS_OPEN), PageSettings(port=free_port()))
    kitchen = Kitchen(settings, BEGIN_S)
    told = sorted((NOW_S - hours * 3600.0, jar) for jar, hours in HOURS_OPEN.items() if hours is not None)
    for fed_at_s, jar in told:
        kitchen.go_on(max(fed_at_s + 600.0 - kitchen.now_s, 0.0) / 3600.0, distance_mm)
        kitchen.store.tell(Fed(time_s=fed_at_s, jar=jar, starter_g=25, flour_g=100, water_g=100), kitchen.now_s)
    kitchen.go_on((NOW_S - kitchen.now_s) / 3600.0, distance_mm)
    with shown(settings, wall=lambda: kitchen.now_s) as address:
        yield address
    kitchen.store.close()


def shot(page: Page, name: str) -> None:
    """A picture for whoever wants to look."""
    if folder := os.environ.get("JARTIDE_SCREENSHOTS"):
        page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_now_in_every_size_and_light(url: str, browser: Browser, size: str, scheme: str) -> None:
    wide, high = SIZES[size]
    context = browser.new_context(viewport={"width": wide, "height": high}, color_scheme=scheme)  # type: ignore[arg-type]
    eyes = Eyes(context, url)
    for jar, hours in HOURS_OPEN.items():
        mine = card(eyes.page, jar)
        figure = mine.locator("figure")
        assert (int(eyes.chart(jar)["points"]) > 0) is (hours is not None)
        expect(figure.locator("svg.over text").first).to_be_attached(timeout=WAIT_MS)
        assert figure.evaluate(OVERLAPS) == [], jar
        assert figure.evaluate(OUTSIDE) == [], jar
        assert figure.evaluate(SMALLEST) >= LEAST_PX, jar
        assert eyes.page.evaluate("document.documentElement.scrollWidth") <= wide, jar
        shot(eyes.page, f"now-{jar}-{size}-{scheme}")
    assert not serious(eyes.page)
    assert not eyes.wrong
    context.close()


def test_feed_now_shouts_and_nothing_else_does(url: str, browser: Browser) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844})
    eyes = Eyes(context, url)
    mine = eyes.page.locator("article")
    expect(mine.locator("h2")).to_have_text("rye")  # who needs somebody most lies open
    expect(mine.locator(".word")).to_have_text("Feed now")
    expect(mine.locator(".token")).to_be_visible()  # a shape beside word and colour
    assert eyes.page.title() == "● Feed rye now"
    assert eyes.page.locator("#icon").get_attribute("href") == "static/icon_feed.svg"
    bright = mine.get_by_role("button", name="Fed 25 + 100 + 100 g")
    box = bright.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= 844  # without scrolling
    assert box["height"] >= 60
    red = "node => getComputedStyle(node).backgroundColor"
    assert mine.locator(".head").evaluate(red) == "rgb(188, 42, 24)"
    for jar in ("wheat", "silent", "flat"):
        assert card(eyes.page, jar).locator(".head").evaluate(red) != "rgb(188, 42, 24)"
    rows = eyes.page.locator(".rows .jar-row b").all_text_contents()
    assert rows[0] == "rye"
    context.close()


OTHERS = ("#/past/rye", "#/over/1:1", "#/trials", "#/plan/rye", "#/health", "#/wall", "#/wall/rye")


@pytest.mark.parametrize(("size", "scheme"), [("phone", "dark"), ("desk", "light"), ("wall", "dark")])
def test_every_other_view(url: str, browser: Browser, size: str, scheme: str) -> None:
    wide, high = SIZES[size]
    context = browser.new_context(viewport={"width": wide, "height": high}, color_scheme=scheme)  # type: ignore[arg-type]
    eyes = Eyes(context, url)
    for view in OTHERS:
        eyes.page.goto(url + view)
        expect(eyes.page.locator("h1").first).to_be_attached(timeout=WAIT_MS)
        expect(eyes.page.locator("main .plate, main .wall-jar").first).to_be_visible(timeout=WAIT_MS)
        assert eyes.page.evaluate("document.documentElement.scrollWidth") <= wide, view
        for figure in eyes.page.locator("figure:has(svg.over text)").all():
            assert figure.evaluate(OVERLAPS) == [], view
            assert figure.evaluate(OUTSIDE) == [], view
            assert figure.evaluate(SMALLEST) >= LEAST_PX, view
        assert not serious(eyes.page), view
        shot(eyes.page, f"{view.replace('/', '-').replace(':', '.')}-{size}-{scheme}")
    assert not eyes.wrong
    context.close()
