"""A bakery's day with forty jars, through the browser and onto paper: the feeding sheet, one tap each or one for all,
the hand-over, and plans spread over oven times. Invented: two shelves, fed in a row by two people."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from monitor.page.server import PageServer
from monitor.runs import lots
from monitor.settings import PageSettings, Settings
from monitor.values import Fed, Feeding, Noted, Noting
from tests.browsing import WAIT_MS, Eyes, serious
from tests.looking import looks, shot
from tests.page_house import Kitchen, over_a_fed_jar, settings_of
from tests.servers import free_port, listens, wait_until

BEGIN_S = 1_795_590_000.0  # 25 November 2026, 05:40 in Vienna
EVERY_S = 300.0
RYE = [f"rye-{n:02}" for n in range(1, 25)]
WHITE = [f"white-{n:02}" for n in range(1, 17)]
JARS = [*RYE, *WHITE]
DRIFTS = "white-07"  # its thermometer says three degrees more than the others'
GRAMS = {"starter_g": 20, "flour_g": 100, "water_g": 100}


class Bakery:
    """Forty jars under a clock that only the test moves."""

    def __init__(self, folder: Path) -> None:
        plain = settings_of(folder, JARS, PageSettings(port=free_port()))
        jars = tuple(
            replace(jar, group=jar.name.split("-")[0], flour=jar.name.split("-")[0], cycle_h=9.0) for jar in plain.jars
        )
        self.settings: Settings = replace(plain, jars=jars)
        self.kitchen = Kitchen(self.settings, BEGIN_S, every_s=EVERY_S, warm_c={DRIFTS: 26.5})
        self.fed_s = {jar: BEGIN_S + 60.0 * place for place, jar in enumerate(JARS)}

    def go_on(self, hours: float) -> None:
        self.kitchen.go_on(hours, lambda jar, at_s: over_a_fed_jar(at_s, self.fed_s[jar]))


@pytest.fixture(scope="module")
def bakery(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bakery]:
    made = Bakery(tmp_path_factory.mktemp("bakery"))
    made.go_on(0.75)
    lots.say(made.kitchen.store, lots.Opened(flour="rye", lot="R-2611", from_s=BEGIN_S, by="Mia"))
    for jar in JARS:
        made.kitchen.store.tell(
            Fed(time_s=made.fed_s[jar], jar=jar, by="Mia", feeding=Feeding(**GRAMS)), made.kitchen.now_s
        )
    made.go_on(8.5)
    made.kitchen.store.tell(
        Noted(time_s=made.kitchen.now_s, jar="rye-03", what=Noting.SMELL, text="of pears", by="Mia"), made.kitchen.now_s
    )
    made.go_on(0.25)
    server = PageServer(made.settings, wall=lambda: made.kitchen.now_s)
    server.start()
    wait_until(lambda: listens(made.settings.page.port), "the page listens")
    yield made
    server.stop()
    made.kitchen.store.close()


def url(bakery: Bakery, view: str = "#/sheet") -> str:
    return f"http://127.0.0.1:{bakery.settings.page.port}/{view}"


def test_the_sheet_in_every_size(bakery: Bakery, browser: Browser) -> None:
    context = browser.new_context(reduced_motion="reduce")
    eyes = Eyes(context, url(bakery))
    expect(eyes.page.locator("ol.sheet > li")).to_have_count(40, timeout=WAIT_MS)
    assert list(looks(eyes.page)) == []
    buttons = eyes.page.get_by_role("button", name=re.compile(": fed$"))
    assert all(box is not None and box["height"] >= 44 for box in (one.bounding_box() for one in buttons.all()[:3]))
    assert not eyes.wrong
    context.close()


def test_forty_jars_fit_one_sheet_of_paper(bakery: Bakery, browser: Browser, tmp_path: Path) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 800}, color_scheme="dark")
    eyes = Eyes(context, url(bakery))
    expect(eyes.page.locator("ol.sheet > li")).to_have_count(40, timeout=WAIT_MS)
    paper = Path(os.environ.get("JARTIDE_SCREENSHOTS") or tmp_path) / "sheet.pdf"
    eyes.page.pdf(path=paper, format="A4", prefer_css_page_size=True)
    assert pages_of(paper) == 1
    eyes.page.emulate_media(media="print")
    assert eyes.page.locator("ol.sheet .box").first.is_visible()  # to tick with a pencil
    assert not eyes.page.get_by_role("button").first.is_visible()
    context.close()


def test_eighty_jars_fit_it_in_two_columns(bakery: Bakery, browser: Browser, tmp_path: Path) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()

    def doubled(route: Route) -> None:
        body = route.fetch().json()
        body["rows"] += body["rows"]
        body["waiting"] = [{"jar": f"rest-{n}", "why": "resting", "words": ""} for n in range(9)]
        route.fulfill(json=body)

    page.route("**/api/sheet*", doubled)
    page.goto(url(bakery))
    expect(page.locator("ol.sheet > li")).to_have_count(80, timeout=WAIT_MS)
    page.pdf(path=tmp_path / "sheet.pdf", format="A4", prefer_css_page_size=True)
    assert pages_of(tmp_path / "sheet.pdf") == 1
    context.close()


def pages_of(paper: Path) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", paper.read_bytes()))


def test_a_sensor_that_drifts_beside_its_neighbours(bakery: Bakery, browser: Browser) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 800}, color_scheme="light")
    eyes = Eyes(context, url(bakery))
    page = eyes.page
    expect(page.locator("ol.sheet > li")).to_have_count(40, timeout=WAIT_MS)
    page.route("**/top", lambda route: route.fulfill(json={}))  # the smoother has its own tests, and takes seconds
    page.get_by_role("link", name=f"{DRIFTS} reads").click()
    words = "white-07 reads 3.0 °C more than its 15 neighbours"
    expect(page.locator(".verdict").first).to_contain_text(words, timeout=WAIT_MS)
    expect(page.locator("tbody tr")).to_have_count(3, timeout=WAIT_MS)  # its own and two beside it
    expect(page.locator("tbody tr").first).to_contain_text(DRIFTS)
    expect(page.get_by_role("radio", name=re.compile("warmth"))).to_be_checked()
    chart = page.locator(".rise")
    expect(chart).to_have_attribute("aria-label", re.compile("The warmth of 3 cycles"))
    expect(chart).to_contain_text("26°")  # its axis
    shot(page, "drifts-1280-light")
    page.set_viewport_size({"width": 390, "height": 844})
    page.emulate_media(color_scheme="dark")
    page.get_by_role("radio", name=re.compile("level")).check()
    expect(chart).to_have_attribute("aria-label", re.compile("The level of 3 cycles"))
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    shot(page, "drifts-390-dark")
    page.get_by_role("radio", name="the rise").check()
    expect(chart).to_have_attribute("aria-label", re.compile("The rise of 3 cycles"))
    assert not serious(page)
    assert not eyes.wrong
    context.close()


def test_a_day_by_taps(bakery: Bakery, browser: Browser) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    eyes = Eyes(context, url(bakery))
    page = eyes.page
    expect(page.locator(".verdict").first).to_contain_text("40 jars to feed within 12 h", timeout=WAIT_MS)
    expect(page.locator(".weigh")).to_contain_text("2400 g rye (lot R-2611), 1600 g white, 4000 g water")
    page.get_by_label("Your name, on this device").fill("Jo")

    page.get_by_role("button", name="rye-01: fed").click()
    expect(page.get_by_text("rye-01: feeding recorded.")).to_be_visible()
    page.get_by_role("button", name=re.compile("^Fed .*take back$")).click()  # a thumb on the wrong row
    expect(page.get_by_text("rye-01: taken back.")).to_be_visible()
    # within a minute a second feeding is taken for a thumb that tapped twice: time passes, as it does in a bakery
    now_s = bakery.kitchen.now_s
    bakery.go_on(0.1)
    page.get_by_text("Lot or seed of what is fed next").click()
    page.get_by_label("Lot of the flour").fill("W-9")
    page.get_by_label("Starter from").fill("rye-02")
    page.get_by_role("button", name="white-16: fed").click()
    expect(page.get_by_text("white-16: feeding recorded.")).to_be_visible()
    for label in ("Lot of the flour", "Starter from"):
        page.get_by_label(label).fill("")
    page.get_by_role("button", name="All 39 fed as written").click()
    page.get_by_role("button", name="Tap again: all of them are fed").click()
    expect(page.get_by_text("39 jars recorded as fed.")).to_be_visible(timeout=WAIT_MS)
    told = {
        jar: [one for one in bakery.kitchen.store.told(jar, now_s) if isinstance(one, Fed)][-1] for jar in JARS
    }  # fmt: skip
    assert {(one.feeding.starter_g, one.feeding.flour_g, one.feeding.water_g, one.by) for one in told.values()} == {
        (20.0, 100.0, 100.0, "Jo")
    }
    assert {one.feeding.flour for one in told.values()} == {"rye", "white"}
    assert {(jar, one.flour_lot, one.seed) for jar, one in told.items() if one.flour_lot or one.seed} == {
        ("white-16", "W-9", "rye-02")
    }
    bakery.fed_s = {jar: one.time_s for jar, one in told.items()}
    bakery.go_on(2.0)

    page.reload()
    expect(page.locator(".verdict").first).to_contain_text("40 jars to feed", timeout=WAIT_MS)  # this evening's
    assert page.locator("ol.sheet > li.due").count() == 0
    page.get_by_text("What happened before").click()
    before = page.locator(".handover li")
    expect(before.filter(has_text="rye-24 fed 20 + 100 + 100 g, Jo")).to_have_count(1, timeout=WAIT_MS)
    expect(before.filter(has_text="rye-03 smell: of pears, Mia")).to_have_count(1)
    shot(page, "handover")

    own = "white-16 fed 20 + 100 + 100 g, flour of lot W-9, starter from rye-02"
    expect(before.filter(has_text=own)).to_have_count(1)
    trace_both_ways(page, bakery)
    page.goto(url(bakery, "#/sheet/rye"))
    page.get_by_text("Spread the feedings of rye").click()
    page.get_by_label("Ovens at").fill("03:00 05:00 07:00")
    page.get_by_role("button", name="Plan", exact=True).click()
    expect(page.locator(".spread ol.sheet > li")).to_have_count(24, timeout=60_000)
    for hour in ("03:00", "05:00", "07:00"):
        assert page.locator(".spread li", has_text=hour).count() == 8, hour
    shot(page, "stagger")
    assert not serious(page)
    assert not eyes.wrong
    context.close()


def trace_both_ways(page: Page, bakery: Bakery) -> None:
    """From a jar to the lots in it, from a lot to the jars that it went into, one by a jar's seed; a lot is opened."""
    page.goto(url(bakery, "#/lots/white-16"))
    inside = page.get_by_role("heading", name="In white-16, of all its flour").locator("+ ul > li")
    expect(inside.filter(has_text="white, lot W-9")).to_contain_text("90.9 %", timeout=WAIT_MS)
    expect(inside.filter(has_text="rye, lot R-2611")).to_have_count(1)
    shot(page, "lots-of-a-jar")
    inside.get_by_role("link", name="R-2611").click()
    went = page.get_by_role("heading", name="Where R-2611 went").locator("+ ul > li")
    expect(went).to_have_count(25, timeout=WAIT_MS)  # the rye shelf, and the jar that got its starter
    expect(went.filter(has_text="white-16")).to_contain_text("by way of rye-02")
    page.get_by_label("Flour", exact=True).fill("white")
    page.get_by_label("Its lot").fill("W-10")
    page.get_by_role("button", name="Open this lot").click()
    expect(page.get_by_text("white: lot W-10 from now on.")).to_be_visible()
    expect(page.get_by_role("listitem").filter(has_text="white lot W-10")).to_contain_text("Jo")
    assert not serious(page)
    shot(page, "lots-of-a-lot")


def test_each_lot_went_where_it_was_told(bakery: Bakery) -> None:
    usual = {jar.name: jar.flour for jar in bakery.settings.jars}
    fed = lots.feedings(bakery.kitchen.store, usual)
    assert all(one.flour_lot == "R-2611" for jar in RYE for one in fed[jar])
    assert all(one.flour_lot is None for jar in WHITE[:-1] for one in fed[jar])
