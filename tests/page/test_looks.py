"""What every view looks like, measured (tests/looking.py): the stages of a jar in an invented kitchen, all other views
in the demo's house at the evening where its night begins."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect

from monitor.cli import demo
from monitor.runs import daemon_status, lots
from monitor.runs.store import Store
from monitor.settings import PageSettings
from monitor.sinks.other_jars import OtherJar
from monitor.values import Fed, Stage, of_grams
from tests.browsing import WAIT_MS, Eyes, card
from tests.looking import SIZES, in_both_lights, looks, shot
from tests.night import EMPTY_MM, level_mm
from tests.page.serving import shown
from tests.page_house import Kitchen, settings_of
from tests.servers import free_port

BEGIN_S = 1_795_600_000.0  # a November's noon
HOURS_OPEN = {"rye": 10.5, "wheat": 5.2, "silent": 5.0, "flat": 19.0, "looked into": 4.4, "new": None}
NOW_S = BEGIN_S + 20.0 * 3600.0


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
        kitchen.store.tell(Fed(time_s=fed_at_s, jar=jar, feeding=of_grams((25, 100, 100))), kitchen.now_s)
    kitchen.go_on((NOW_S - kitchen.now_s) / 3600.0, distance_mm)
    with shown(settings, wall=lambda: kitchen.now_s) as address:
        yield address
    kitchen.store.close()


@pytest.fixture(scope="module")
def page(browser: Browser) -> Iterator[Page]:
    """One page for all views; where motion is not wanted, nothing moves."""
    context = browser.new_context(reduced_motion="reduce")
    made = context.new_page()
    made.set_default_timeout(WAIT_MS)
    yield made
    context.close()


def test_what_is_wrong_is_found(page: Page) -> None:
    page.set_content(
        "<main><h1>x</h1><svg width=100 height=40><text x=0 y=20 font-size=14>flour</text>"
        "<text x=5 y=22 font-size=10>water</text><text x=90 y=20 font-size=14>starter</text></svg>"
        "<p style='width:2500px'>wide</p><p style='color:#ccc;background:#fff'>pale</p>"
        "<p style='width:3em;overflow:hidden;white-space:nowrap'>one word too many</p></main>"
    )
    found = "\n".join(looks(page))
    for size in SIZES:
        for wrong in (
            "flour / water lie over each other", "water: 10.0 px high", "starter: runs out", "it scrolls sideways",
            "one word too many: cut off", "color-contrast",
        ):  # fmt: skip
            assert re.search(f"{size}, .*{wrong}", found), (size, wrong, found)


@pytest.mark.parametrize("jar", HOURS_OPEN)
def test_each_stage_in_every_size_and_light(url: str, page: Page, jar: str) -> None:
    page.goto(url)
    figure = card(page, jar).locator("figure")
    expect(figure.locator("svg.over text").first).to_be_attached()
    drawn = "0" if HOURS_OPEN[jar] is None else re.compile("^[1-9]")  # the server may not have looked at its store yet
    expect(figure).to_have_attribute("data-points", drawn)
    assert list(looks(page)) == []
    shot(page, f"stage-{jar}")


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


@dataclass(frozen=True, slots=True)
class View:
    """A view: its address, what stands there when all of it has come, and what is done to see more of it."""

    address: str
    shows: str
    then: Callable[[Page], None] = lambda page: None


def bake(page: Page) -> None:
    page.get_by_role("button", name="Bake", exact=True).click()
    expect(page.locator(".steps li").last).to_be_visible()


def handover(page: Page) -> None:
    expect(page.locator(".handover .rows li").first).to_be_visible()


VIEWS = {
    "now": View("#/", "article svg.over text"),
    "past": View("#/past/Rye", ".strip-row + .strip-row"),
    "cycle": View("#/over/{rye}", "figure svg.over text"),
    "over": View("#/over/{rye},{wheat}", "figure svg.over text"),
    "trials": View("#/trials", "figure svg.over text"),
    "plan": View("#/plan/Rye", "figure svg.over text"),
    "bake": View("#/plan/Wheat", "figure svg.over text", bake),
    "health": View("#/health", ".plate .rows li"),
    "wall": View("#/wall", ".wall-jar svg"),
    "wall of one": View("#/wall/Rye", ".wall.one svg.over text"),
    "sheet": View("#/sheet", "ol.sheet > li", handover),
    "lots": View("#/lots", ".plate"),
    "lot": View("#/lots/rye R-2611", ".plate"),
    "other jars": View("#/others", ".rows li"),
    "guide": View("#/guide", ".plate"),
    "a page of the guide": View("#/guide/hooch", ".plate"),
    "settings": View("#/settings", ".fields"),
}


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, dict[str, str]]]:
    """The demo's house with a group, a lot and other daemons' jars; its address, and a past cycle of two jars."""
    path = tmp_path_factory.mktemp("house") / "house.db"
    demo.lay_out(path)
    plain = demo.house_settings(path, free_port())
    jars = tuple(replace(jar, group="bread" if jar.cycle_h < 24.0 else None) for jar in plain.jars)
    settings = replace(plain, jars=jars, page=replace(plain.page, others=True))
    with Store.join(path) as store:
        status = daemon_status.read(store)
        assert status is not None
        now_s = status.as_of_s
        lots.say(store, lots.Opened(flour="rye", lot="R-2611", from_s=now_s - 86_400.0 * 3, by="Mia"))
    other = OtherJar(
        jar="cellar", heard_s=now_s - 20.0, stage=Stage.RISING, fed_at_s=now_s - 7200.0, fall_at_s=None, rise_ratio=1.6,
        temperature_c=19.0, silent=False,
    )  # fmt: skip
    others = [other, replace(other, jar="shed", silent=True)]
    with shown(settings, wall=lambda: now_s, others=lambda: others) as address:
        known = {jar.lower(): latest(address, jar) for jar in ("Rye", "Wheat")}
        yield address, known


def latest(address: str, jar: str) -> str:
    """A jar's latest cycle that is over, as addresses name it."""
    cycles = httpx.get(f"{address}api/jars/{jar}/cycles").json()["cycles"]
    return next(f"{one['run']}:{one['cycle']}" for one in cycles if one["ended_at_s"])


@pytest.mark.parametrize("name", VIEWS)
def test_every_view_in_every_size_and_light(house: tuple[str, dict[str, str]], page: Page, name: str) -> None:
    view, (address, known) = VIEWS[name], house
    if not page.url.startswith(address):
        page.goto(address)
    wrong: list[str] = []
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})  # before it is opened: some views look once
        opened(page, view.address.format(**known))
        expect(page.locator(view.shows).first).to_be_attached()
        page.evaluate("for (const fold of document.querySelectorAll('main details')) fold.open = true")
        view.then(page)
        wrong += in_both_lights(page, size)
        shot(page, f"{name}-{size}")
    assert wrong == []


def opened(page: Page, address: str) -> None:
    """Another view of the page that stands there."""
    page.evaluate("address => { location.hash = '#/nowhere'; location.hash = address; }", address)
    expect(page.locator(f".view[data-address={json.dumps(page.evaluate('location.hash'))}]")).to_be_attached()


@pytest.mark.parametrize("path", ["guide/index.html", "guide/notices.html", "static/offline.html"])
def test_pages_beside_the_views_too(house: tuple[str, dict[str, str]], page: Page, path: str) -> None:
    page.goto(house[0] + path)
    expect(page.locator("h1").first).to_be_visible()
    assert list(looks(page)) == []
