"""What was seen and was none, a feeding that nobody can date but the person, and past feedings put right: by taps in a
real browser, while the daemon's own loop judges again under a clock that the test moves."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from monitor.core.detect.superseded import not_superseded
from monitor.page.server import PageServer
from monitor.settings import PageSettings
from monitor.values import Cycle, EventKind
from tests.browsing import PHONE, WAIT_MS, Eyes, card, more, serious
from tests.night import EMPTY_MM, level_mm
from tests.page_house import Kitchen, settings_of
from tests.servers import free_port, listens, wait_until

H_S = 3600.0
BEGIN_S = 1_795_600_000.0  # a November's noon, far from a change of clocks
FED_S = BEGIN_S + 1800.0
SPOON_S = FED_S + 9.0 * H_S  # half of it is taken for a bread, which looks like a feeding
FOGGY_H = ((3.0, 3.2), (4.5, 5.5))  # mist on the sensor: like a lid that is off, like a jar that is away
OPENED_S = FED_S + 12.5 * H_S  # fresh dough stands there when the lid is back on
AFRESH_S = FED_S + 11.0 * H_S  # fed, with as much put back as was taken, between two readings


def distance_mm(jar: str, time_s: float) -> float | None:
    """Invented: all are fed alike; what happens later differs."""
    since_h = (time_s - FED_S) / H_S
    if 0.0 <= since_h < 0.1:
        return 320.0
    level = 62.0 if since_h < 0.0 else level_mm(since_h)
    if jar == "fog" and any(from_h <= since_h < to_h for from_h, to_h in FOGGY_H):
        return 8190.0
    if jar == "rye" and time_s >= SPOON_S:
        if time_s < SPOON_S + 400.0:
            return 320.0
        level -= 29.0
    if jar == "spelt" and time_s >= OPENED_S:
        return 320.0 if time_s < OPENED_S + 400.0 else EMPTY_MM - level_mm((time_s - OPENED_S) / H_S)
    if jar == "oat" and time_s >= AFRESH_S:
        level = level_mm(11.0) + level_mm((time_s - AFRESH_S) / H_S) - level_mm(0.0)
    return EMPTY_MM - level


class Home:
    """A kitchen and its page."""

    def __init__(self, folder: Path) -> None:
        settings = settings_of(folder, ("rye", "oat", "fog", "barley", "spelt"), PageSettings(port=free_port()))
        warm_c = {"barley": 23.5}
        self.kitchen = Kitchen(settings, BEGIN_S, every_s=300.0, warm_c=warm_c)
        self.page = PageServer(settings, wall=lambda: self.kitchen.now_s)
        self.url = f"http://127.0.0.1:{settings.page.port}/"
        self.go_on(5.5)
        warm_c["barley"] = 8.0  # for two hours a window is open beside the sensor: as cold as in a fridge
        self.go_on(2.0)
        warm_c["barley"] = 23.5
        self.go_on(3.0)
        self.page.start()
        wait_until(lambda: listens(settings.page.port), "the page listens")

    def go_on(self, hours: float) -> None:
        self.kitchen.go_on(hours, distance_mm)
        self.page.wake()

    def fed_at(self, jar: str) -> list[float]:
        run = self.kitchen.store.open_run(jar)
        assert run is not None
        stand = not_superseded(self.kitchen.store.events(run.id))
        return sorted(event.happened_at_s for event in stand if event.kind is EventKind.FED)

    def newest(self, jar: str) -> Cycle:
        run = self.kitchen.store.open_run(jar)
        assert run is not None
        return self.kitchen.store.cycles(run.id)[-1]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    made = Home(tmp_path_factory.mktemp("home"))
    yield made
    made.page.stop()


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    made = browser.new_context(viewport=PHONE, has_touch=True)  # type: ignore[arg-type]
    yield made
    made.close()


def said(page: Page, words: str) -> None:
    expect(page.get_by_role("status").filter(has_text=words).first).to_be_visible(timeout=WAIT_MS)


def test_grams_that_come_late_by_a_tap_are_the_seen_feedings_own(home: Home, context: BrowserContext) -> None:
    before = home.newest("barley")
    assert not before.told
    eyes = Eyes(context, home.url)
    mine = card(eyes.page, "barley")
    stage = mine.locator(".word")
    expect(stage).not_to_be_empty(timeout=WAIT_MS)
    was = stage.inner_text()
    more(mine)
    for name, grams in (("starter_g", "20"), ("flour_g", "60"), ("water_g", "50")):
        mine.locator(f"input[name={name}]").fill(grams)
    mine.get_by_label("When").select_option(label="8 h ago")
    mine.get_by_role("button", name="Fed like this").tap()
    said(eyes.page, "Feeding recorded.")
    home.go_on(0.1)
    now = home.newest("barley")
    assert (now.number, now.told, now.feeding.grams) == (before.number, True, (20.0, 60.0, 50.0))
    assert now.fed_at_s == before.fed_at_s
    expect(mine.get_by_text("20 + 60 + 50 g").first).to_be_visible(timeout=WAIT_MS)
    expect(stage).to_have_text(was)
    assert not eyes.wrong


def test_a_feeding_that_was_none_goes_with_a_tap_and_comes_back_with_another(
    home: Home, context: BrowserContext
) -> None:
    assert len(home.fed_at("rye")) == 2
    assert home.fed_at("rye")[1] == pytest.approx(SPOON_S, abs=900.0)
    eyes = Eyes(context, home.url)
    mine = card(eyes.page, "rye")
    expect(mine.locator(".word")).to_have_text("Settling", timeout=WAIT_MS)
    more(mine)
    expect(mine.get_by_role("heading", name="What was seen")).to_be_visible()
    assert not serious(eyes.page)
    mine.get_by_role("listitem").filter(has_text=re.compile("^Fed, ")).get_by_role("button").tap()
    said(eyes.page, "Noted: that was no feeding. It is judged again.")
    home.go_on(0.1)
    expect(mine.locator(".word")).to_have_text("Feed now", timeout=WAIT_MS)
    assert len(home.fed_at("rye")) == 1
    mine.get_by_role("button", name=re.compile("^Take back: that was no feeding")).tap()
    said(eyes.page, "Taken back: that was no feeding.")
    home.go_on(0.1)
    expect(mine.locator(".word")).to_have_text("Settling", timeout=WAIT_MS)
    assert len(home.fed_at("rye")) == 2
    assert not eyes.wrong


def test_a_lid_and_an_absence_that_were_none_go_with_a_tap(home: Home, context: BrowserContext) -> None:
    def kinds() -> list[EventKind]:
        run = home.kitchen.store.open_run("fog")
        assert run is not None
        events = not_superseded(home.kitchen.store.events(run.id))
        late = [event.kind for event in events if event.happened_at_s > FED_S + 2.0 * H_S]
        return [kind for kind in late if kind in (EventKind.LID_OFF, EventKind.LID_ON, EventKind.JAR_AWAY)]

    assert {EventKind.LID_OFF, EventKind.JAR_AWAY} <= set(kinds())
    eyes = Eyes(context, home.url)
    mine = card(eyes.page, "fog")
    more(mine)
    for words in ("The jar was not away", "The lid was not off", "The lid was not off"):
        mine.get_by_role("button", name=words).first.tap()
        said(eyes.page, f"Noted: {words[:1].lower()}{words[1:]}. It is judged again.")
        home.go_on(0.1)
        eyes.page.reload()
        more(mine)
    assert kinds() == []
    assert not eyes.wrong


def test_a_rest_that_was_none_goes_with_a_tap(home: Home, context: BrowserContext) -> None:
    def rested() -> bool:
        run = home.kitchen.store.open_run("barley")
        assert run is not None
        return any(event.kind is EventKind.REST_BEGAN for event in not_superseded(home.kitchen.store.events(run.id)))

    assert rested()
    eyes = Eyes(context, home.url)
    mine = card(eyes.page, "barley")
    more(mine)
    mine.get_by_role("button", name="It was not resting").first.tap()
    said(eyes.page, "Noted: it was not resting. It is judged again.")
    home.go_on(0.1)
    assert not rested()
    mine.get_by_role("button", name=re.compile("^Take back: it was not resting")).tap()
    said(eyes.page, "Taken back: it was not resting")
    home.go_on(0.1)
    assert rested()
    assert not eyes.wrong


def test_a_past_feeding_gets_its_grams_and_its_time_and_may_go(home: Home, context: BrowserContext) -> None:
    run = home.kitchen.store.open_run("rye")
    assert run is not None
    eyes = Eyes(context, f"{home.url}#/over/{run.id}:1")
    line = eyes.page.locator("li[data-at]")
    line.get_by_role("button").tap()
    fed_at = line.get_by_label("Fed at")
    hours, minutes = (int(part) for part in fed_at.input_value().split(":"))
    earlier = (60 * hours + minutes - 20) % 1440
    fed_at.fill(f"{earlier // 60:02}:{earlier % 60:02}")
    line.get_by_label("Starter, g").fill("0.05")
    line.get_by_role("button", name="Save").tap()
    said(eyes.page, "Not changed")
    for label, grams in (("Starter, g", "20"), ("Flour, g", "60"), ("Water, g", "50")):
        line.get_by_label(label).fill(grams)
    assert not serious(eyes.page)
    before_s = home.fed_at("rye")[0]
    line.get_by_role("button", name="Save").tap()
    said(eyes.page, "Corrected.")
    home.go_on(0.1)
    cycle = home.kitchen.store.cycles(run.id)[1]
    assert cycle.feeding.grams == (20.0, 60.0, 50.0)
    assert before_s - cycle.fed_at_s == pytest.approx(1200.0, abs=60.0)
    eyes.page.goto(f"{home.url}#/past/rye")
    eyes.page.goto(f"{home.url}#/over/{run.id}:2")
    line.get_by_role("button").tap()
    line.get_by_role("button", name="That was no feeding").tap()
    said(eyes.page, "Noted: that was no feeding.")
    home.go_on(0.1)
    assert len(home.fed_at("rye")) == 1
    assert not eyes.wrong


def test_when_nothing_shows_when_it_was_fed_the_person_is_asked_and_wins(home: Home, context: BrowserContext) -> None:
    home.go_on((AFRESH_S + 5.0 * H_S - home.kitchen.now_s) / H_S)
    about_s = home.newest("oat").about_s
    assert about_s is not None
    assert about_s[0] <= AFRESH_S <= about_s[1]
    eyes = Eyes(context, home.url)
    question = card(eyes.page, "oat").locator(".question")
    expect(question).to_contain_text("the readings don't show when. When was it? It was between", timeout=WAIT_MS)
    assert not serious(eyes.page)
    choices = question.get_by_label("Fed at").locator("option").all()
    times = [float(choice.get_attribute("value") or "nan") for choice in choices]
    nearest = min(times, key=lambda at_s: abs(at_s - AFRESH_S))
    assert abs(nearest - AFRESH_S) <= 1800.0
    question.get_by_label("Fed at").select_option(str(int(nearest)))
    question.get_by_role("button", name="It was fed then").tap()
    said(eyes.page, "Feeding recorded.")
    home.go_on(0.1)
    expect(question).to_be_empty(timeout=WAIT_MS)
    cycle = home.newest("oat")
    assert cycle.told
    assert cycle.fed_at_s == pytest.approx(nearest, abs=60.0)
    assert cycle.about_s is None
    assert len(home.fed_at("oat")) == 2
    assert not eyes.wrong


def test_another_time_in_the_same_rise_takes_the_place_of_what_was_seen(home: Home, context: BrowserContext) -> None:
    home.go_on((OPENED_S + 4.0 * H_S - home.kitchen.now_s) / H_S)
    assert home.newest("spelt").fed_at_s == pytest.approx(OPENED_S, abs=900.0)
    eyes = Eyes(context, home.url)
    mine = card(eyes.page, "spelt")
    more(mine)
    mine.get_by_label("When").select_option(label="8 h ago")
    mine.get_by_role("button", name="Fed like this").tap()
    said(eyes.page, "Feeding recorded.")
    told_s = home.kitchen.now_s - 8.0 * H_S
    home.go_on(0.1)
    assert home.fed_at("spelt")[1:] == [pytest.approx(told_s, abs=60.0)]
    assert home.newest("spelt").number == 2
    mine.get_by_role("button", name=re.compile("^Take back: fed")).tap()
    said(eyes.page, "Taken back: fed")
    home.go_on(0.1)
    assert home.newest("spelt").fed_at_s == pytest.approx(OPENED_S, abs=900.0)
    assert not eyes.wrong
