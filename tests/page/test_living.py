"""The page while a kitchen lives: first readings, forecasts that move, the jar's question, slips, the notebook.

The daemon's own loop runs in the test under a clock that the test moves, so hours pass in a second; the page and the
browser are real.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, expect

from monitor.page.server import PageServer
from monitor.runs.items import LEAST_G, MOST_G
from monitor.runs.report_body import DISCARD, Refused, fed_of
from monitor.settings import PageSettings
from monitor.values import Fed, Noted, Noting, of_grams
from tests.browsing import PHONE, WAIT_MS, Eyes, card, more, serious
from tests.night import EMPTY_MM, level_mm
from tests.page_house import Kitchen, over_a_fed_jar, settings_of
from tests.servers import free_port, listens, wait_until

ASKING = ("fed?", "stirred?", "taken?")  # jars whose level drops in a way that nothing explains
NAMES = ("rye", *ASKING, "new", "slip")
BEGIN_S = 1_795_600_000.0  # a November's noon, far from a change of clocks
FED_S = BEGIN_S + 1800.0
DROP_S = FED_S + 4.2 * 3600.0


def distance_mm(jar: str, time_s: float) -> float | None:
    """Invented: all are fed alike; those that will ask rise to nearly three times and lose half of that at once."""
    if jar == "new":
        return None
    if jar in ASKING and time_s >= FED_S + 180.0:
        height = 28.0 + 1.55 * (level_mm((time_s - FED_S) / 3600.0) - 40.0)
        return EMPTY_MM - (height - (38.0 if time_s >= DROP_S else 0.0))
    return over_a_fed_jar(time_s, FED_S)


class Home:
    """A kitchen and its page."""

    def __init__(self, folder: Path) -> None:
        settings = settings_of(folder, NAMES, PageSettings(port=free_port()))
        self.kitchen = Kitchen(settings, BEGIN_S, every_s=60.0)
        self.page = PageServer(settings, wall=lambda: self.kitchen.now_s)
        self.url = f"http://127.0.0.1:{settings.page.port}/"
        self.kitchen.go_on(1.0, distance_mm)
        for jar in NAMES[:-2]:
            fed = Fed(time_s=FED_S, jar=jar, feeding=of_grams((25, 100, 100), "rye"))
            self.kitchen.store.tell(fed, self.kitchen.now_s)
        self.go_on(2.5)
        self.page.start()
        wait_until(lambda: listens(settings.page.port), "the page listens")

    def go_on(self, hours: float, distance: Callable[[str, float], float | None] = distance_mm) -> None:
        self.kitchen.go_on(hours, distance)
        self.page.wake()

    def told(self, jar: str) -> list[object]:
        return list(self.kitchen.store.told(jar))


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    made = Home(tmp_path_factory.mktemp("home"))
    yield made
    made.page.stop()
    made.kitchen.store.close()


def tap(mine: Locator, name: str) -> None:
    """A button, once it can be tapped again: for a moment after each telling none can."""
    mine.get_by_role("button", name=name, exact=True).click(timeout=WAIT_MS)


def test_first_readings_are_waited_for_and_drawn_from_two_points_on(home: Home, context: BrowserContext) -> None:
    eyes = Eyes(context, home.url)
    mine = card(eyes.page, "new")
    expect(mine).to_contain_text("Waiting for the first reading")
    expect(mine.locator("figure")).to_contain_text("Its curve will be drawn here")
    home.go_on(0.1, lambda jar, at_s: 120.0 if jar == "new" else distance_mm(jar, at_s))
    expect(mine.locator("figure")).to_have_attribute("data-points", re.compile(r"^[1-9]"), timeout=WAIT_MS)
    expect(mine.locator("figure")).not_to_contain_text("Its curve will be drawn here")
    expect(mine).not_to_contain_text("Waiting for")
    assert not eyes.wrong


@pytest.mark.dates
def test_the_forecast_moves_by_itself(home: Home, context: BrowserContext) -> None:
    eyes = Eyes(context, home.url)
    mine = card(eyes.page)
    eyes.chart()
    peak = mine.locator(".next", has_text=re.compile(r"^Peak about \d\d:\d\d"))
    said, drawn = peak.text_content(), mine.locator("figure").get_attribute("data-expected")
    assert drawn
    assert len(drawn.split()) == 2  # its peak and its fall
    home.go_on(1.05)  # a forecast is made each hour
    expect(mine.locator("figure")).not_to_have_attribute("data-expected", drawn, timeout=WAIT_MS)
    expect(peak).not_to_have_text(said or "")
    assert not eyes.wrong


def test_the_jars_question_is_answered_by_a_tap(home: Home, context: BrowserContext) -> None:
    home.go_on((DROP_S - home.kitchen.now_s) / 3600.0 + 0.4)
    eyes = Eyes(context, home.url)
    for jar in ASKING:
        expect(card(eyes.page, jar).locator(".question")).to_contain_text(
            "Did you feed it, stir it down or take some?", timeout=WAIT_MS
        )
    assert not serious(eyes.page)
    for jar, answer, said in zip(
        ASKING,
        ("It was fed", "Stirred down", "Took some"),
        ("Feeding recorded.", "Noted: stirred down.", "Noted: some taken."),
        strict=True,
    ):
        mine = card(eyes.page, jar)
        tap(mine.locator(".question"), answer)
        expect(mine.locator(".said")).to_contain_text(said)
    fed = home.told("fed?")[-1]
    assert isinstance(fed, Fed)
    assert fed.time_s == pytest.approx(DROP_S, abs=180.0)  # as of when the level dropped, not of the tap
    assert [note.what for jar in ASKING[1:] for note in home.told(jar)[-1:] if isinstance(note, Noted)] == [
        Noting.STIRRED,
        Noting.TAKEN,
    ]
    home.go_on(0.1)
    for jar in ASKING:
        expect(card(eyes.page, jar).locator(".question")).to_be_empty(timeout=WAIT_MS)
    assert not eyes.wrong


def test_a_slip_is_taken_back(home: Home, context: BrowserContext) -> None:
    home.go_on(1.0)  # told within 3 h of a feeding that was seen, it would be that one
    eyes = Eyes(context, home.url)
    mine = card(eyes.page, "slip")
    before = eyes.chart("slip")
    since = mine.locator(".since").text_content()
    expect(mine.get_by_role("button", name=re.compile("^Take back"))).to_be_hidden()
    mine.get_by_role("button", name=re.compile("^Fed")).first.click()
    expect(mine.locator(".said")).to_contain_text("Feeding recorded.")
    home.go_on(0.05)
    expect(mine.locator(".since")).to_contain_text(re.compile(r"fed \d min ago"), timeout=WAIT_MS)
    mine.get_by_role("button", name=re.compile("^Take back: fed, ")).click()
    expect(mine.locator(".said")).to_have_text("Taken back: fed.", timeout=WAIT_MS)
    home.go_on(0.05)
    expect(mine.locator(".since")).to_contain_text(re.compile(r"fed \d+ h"), timeout=WAIT_MS)
    assert not any(isinstance(one, Fed) for one in home.told("slip"))
    assert since is not None
    wait_until(lambda: int(eyes.chart("slip")["points"]) >= int(before["points"]), "the earlier cycle's curve is back")
    assert not eyes.wrong


@pytest.mark.parametrize(
    ("field", "grams"),
    [("Starter, g", "0.05"), ("Starter, g", "-1"), ("Water, g", "20000.5"), ("Flour, g", "0"), ("Flour, g", "0.09")],
)
def test_grams_that_the_server_refuses_are_not_sent(
    home: Home, context: BrowserContext, field: str, grams: str
) -> None:
    eyes = Eyes(context, home.url)
    mine = card(eyes.page, "slip")
    before = home.told("slip")
    more(mine)
    mine.get_by_label(field, exact=True).fill(grams)
    mine.get_by_role("button", name="More", exact=True).click()
    mine.get_by_role("button", name=re.compile("^Fed")).first.click()
    key = f"{field.split(',')[0].lower()}_g"
    with pytest.raises(Refused) as refused:
        fed_of({key: float(grams)}, home.kitchen.settings.jars[0], 0.0)
    limits = re.search(r"must be (.*)$", str(refused.value))
    assert limits is not None
    expect(mine.locator(".said")).to_have_text(f"Not recorded: {key[:-2]} must be {limits[1]} g.")
    expect(mine.get_by_label(field, exact=True)).to_be_focused()  # it is opened again
    assert home.told("slip") == before
    assert not eyes.wrong


def test_the_fields_take_what_the_server_takes(home: Home, context: BrowserContext) -> None:
    eyes = Eyes(context, home.url)
    mine = card(eyes.page, "slip")
    more(mine)
    for field, least_g in (("Starter, g", 0.0), ("Flour, g", LEAST_G), ("Water, g", 0.0)):
        input_ = mine.get_by_label(field, exact=True)
        assert float(input_.get_attribute("min") or "nan") == least_g
        assert float(input_.get_attribute("max") or "nan") == MOST_G
    mine.get_by_text("Write something down").click()
    mine.get_by_role("combobox", name="What").select_option("Discard")
    weight = mine.get_by_label("How much, g")
    for end in ("min", "max"):
        assert re.fullmatch(DISCARD, f"used {weight.get_attribute(end)}")
    weight.fill(".5")
    mine.get_by_role("button", name="Write it down").click()
    expect(mine.locator(".said")).to_have_text("Noted: discard.")
    note = home.told("slip")[-1]
    assert isinstance(note, Noted)
    assert note.text == "kept 0.5"
    weight.fill("0")
    tap(mine, "Write it down")
    expect(mine.locator(".said")).to_contain_text("How many grams?")
    assert home.told("slip")[-1] == note


@pytest.mark.parametrize(
    ("what", "fill", "kept"),
    [
        ("Smell", {"In your words": "like pears"}, (Noting.SMELL, "like pears")),
        ("Float test", {"Which": "it sank"}, (Noting.FLOAT_TEST, "it sank")),
        ("Baked with it", {"In your words": "two loaves"}, (Noting.BAKED, "two loaves")),
        ("Discard", {"Which": "kept", "How much, g": "40"}, (Noting.DISCARD, "kept 40")),
        ("Discard", {"Which": "used", "How much, g": "120"}, (Noting.DISCARD, "used 120")),
        ("Discard", {"Which": "thrown", "How much, g": "0.5"}, (Noting.DISCARD, "thrown 0.5")),
        ("Hooch: liquid on top", {"In your words": "a finger deep"}, (Noting.HOOCH, "a finger deep")),
        ("Mould, or pink, orange or black streaks", {}, (Noting.MOULD, "")),
        ("A remark", {"In your words": "<b>new flour</b>"}, (Noting.REMARK, "<b>new flour</b>")),
        ("Moved to the fridge", {}, (Noting.REST, "")),
        ("Out of the fridge", {}, (Noting.REST_OVER, "")),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_the_notebook(home: Home, notebook: Locator, what: str, fill: dict[str, str], kept: tuple[Noting, str]) -> None:
    notebook.get_by_role("combobox", name="What").select_option(what)
    for label, value in fill.items():
        field = notebook.get_by_label(label)
        if label == "Which":
            field.select_option(value)
        else:
            field.fill(value)
    tap(notebook, "Write it down")
    said = {Noting.MOULD: "Throw all of it away", Noting.HOOCH: "Noted: hooch means hungry"}
    expect(card(notebook.page).locator(".said")).to_contain_text(
        said.get(kept[0], f"Noted: {what.lower()}."), timeout=WAIT_MS
    )
    note = home.told("rye")[-1]
    assert isinstance(note, Noted)
    assert (note.what, note.text) == kept


@pytest.fixture(scope="module")
def notebook(home: Home, browser: Browser) -> Iterator[Locator]:
    """The opened notebook of a jar, on a phone."""
    context = browser.new_context(viewport=PHONE, has_touch=True)  # type: ignore[arg-type]
    eyes = Eyes(context, home.url)
    mine = card(eyes.page)
    more(mine)
    mine.get_by_text("Write something down").tap()
    yield mine.locator(".notebook")
    assert not serious(eyes.page)
    assert not eyes.wrong
    context.close()


@pytest.mark.parametrize("hours", ["1", "24"])
def test_a_snooze_lasts_as_long_as_chosen(home: Home, context: BrowserContext, hours: str) -> None:
    eyes = Eyes(context, home.url)
    mine = card(eyes.page)
    more(mine)
    mine.get_by_label("Snooze for").select_option(hours)
    tap(mine, f"Snooze {hours} h")
    expect(mine.locator(".said")).to_contain_text(f"No notices for {hours} h")
    note = home.told("rye")[-1]
    assert isinstance(note, Noted)
    assert (note.what, note.text) == (Noting.SNOOZE, hours)


def test_the_stage_is_readable_from_two_metres_and_the_first_tap_needs_no_scrolling(
    home: Home, browser: Browser
) -> None:
    """Signs are read with ease from 10 minutes of arc on, twice what a sharp eye needs (ISO 9241-303 asks 16 of screens
    read for hours). A phone of 390 px is 65 mm wide; a capital is 0.7 of the letter's size."""
    context = browser.new_context(viewport=PHONE, has_touch=True)  # type: ignore[arg-type]
    eyes = Eyes(context, home.url)
    stage = card(eyes.page).locator(".stage")
    size_px = float(stage.evaluate("node => parseFloat(getComputedStyle(node).fontSize)"))
    arc_min = 0.7 * size_px * 65.0 / 390.0 / 2000.0 * 3438.0
    assert arc_min >= 10.0
    box = card(eyes.page).get_by_role("button", name=re.compile("^Fed")).first.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= PHONE["height"]
    assert box["height"] >= 44.0  # WCAG 2.2, 2.5.5
    context.close()


@pytest.mark.dates
@pytest.mark.fault("W5")
def test_a_page_for_looking_only_has_nothing_to_tap(home: Home, context: BrowserContext) -> None:
    port = free_port()
    settings = replace(home.kitchen.settings, page=PageSettings(port=port, read_only=True))
    server = PageServer(settings, wall=lambda: home.kitchen.now_s)
    server.start()
    try:
        wait_until(lambda: listens(port), "the page listens")
        eyes = Eyes(context, f"http://127.0.0.1:{port}/")
        eyes.chart()
        buttons = card(eyes.page).get_by_role("button")
        assert buttons.all_text_contents() == ["in mm"]  # which is another look at the same
    finally:
        server.stop()
