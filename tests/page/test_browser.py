"""The page in a real browser, on the real daemon in a process of its own."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, expect

from monitor.page.server import PageServer
from monitor.runs.store import Store
from monitor.runs.trials import KEY as TRIAL_KEY
from monitor.settings import PageSettings
from monitor.values import Fed, Noted, Noting
from tests.browsing import PHONE, WAIT_MS, Eyes, card, more, serious
from tests.night import EMPTY_MM
from tests.page_house import Kitchen, grow, over_a_fed_jar, settings_of
from tests.servers import free_port, listens, wait_until

EVIL = "<img src=x onerror=alert(1)>"
NAMES = ("rye", EVIL)
VIEWS = ("#/", "#/past/rye", "#/over/1:1", "#/wall", "#/over/1:1,1:2", "#/plan/rye", "#/trials", "#/health")


class House:
    """The daemon, which can be stopped and started again."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}/"
        (folder / "port").write_text(str(self.port))
        (folder / "jars").write_text("\n".join(NAMES))
        self.settings = settings_of(folder, NAMES)
        grow(self.settings, 1.2, time.time() - 30)
        with Store.join(self.settings.store.path) as store:
            trial = {"since_s": time.time() - 2 * 86_400.0, "jars": list(NAMES)}
            store.set_meta(f"{TRIAL_KEY}two flours", json.dumps(trial))
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self.folder / "log").open("a") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.page_house", str(self.folder)], stdout=log, stderr=log
            )
        wait_until(lambda: listens(self.port), "the page listens", 40)

    def stop(self) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGTERM)
            assert self.process.wait(20) == 0
            self.process = None

    def told(self, jar: str) -> list[object]:
        with Store.join(self.settings.store.path) as store:
            return list(store.told(jar))


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    made = House(tmp_path_factory.mktemp("house"))
    made.start()
    yield made
    made.stop()


def test_the_curve_moves_by_itself(house: House, context: BrowserContext) -> None:
    eyes = Eyes(context, house.url)
    before = float(eyes.chart()["last"])
    # bins are two minutes wide and readings come every second: the picture's end moves within two minutes, its value
    # and the number of events at once
    seen = eyes.page.evaluate(
        """() => new Promise(done => { const got = []; const source = new EventSource("api/events");
        source.onmessage = event => { const news = JSON.parse(event.data); if (news.curves?.rye)
        got.push(news.curves.rye.columns); if (got.length >= 2) { source.close(); done(got); } }; })"""
    )
    assert all(columns["middle_mm"] for columns in seen)
    assert float(eyes.chart()["last"]) >= before - 120  # the newest bin may wait for one that agrees with it
    assert abs(float(eyes.chart()["last"]) - time.time()) < 400  # two bins that agree, where the level jumps
    assert not eyes.wrong
    assert all(url.startswith(house.url) for url in eyes.asked)  # nothing from outside the house


def test_fed_is_one_tap_and_two_browsers_agree(house: House, browser: Browser, context: BrowserContext) -> None:
    eyes, other = Eyes(context, house.url), Eyes(browser.new_context(), house.url)
    mine = card(eyes.page)
    expect(mine.get_by_label("Starter, g")).to_have_value("25")
    expect(mine.get_by_label("Flour, g")).to_have_value("100")
    expect(mine.get_by_role("button", name="Fed 25 + 100 + 100 g")).to_be_visible()
    more(mine)
    mine.get_by_label("Flour, g").fill("80")
    mine.get_by_role("button", name="Fed 25 + 80 + 100 g").click()
    expect(mine.locator(".said")).to_contain_text("Feeding recorded.")
    fed = [one for one in house.told("rye") if isinstance(one, Fed)][-1]
    assert (fed.feeding.starter_g, fed.feeding.flour_g, fed.feeding.water_g) == (25, 80, 100)
    assert abs(fed.time_s - time.time()) < 30
    for page in (eyes.page, other.page):
        expect(card(page)).to_contain_text("0 min ago", timeout=WAIT_MS)
    more(mine)
    mine.get_by_role("button", name="Seen hooch").click()
    expect(mine.locator(".said")).to_contain_text("hungry")
    for page in (eyes.page, other.page):
        expect(card(page)).to_contain_text("liquid on top", timeout=WAIT_MS)
    mine.get_by_label("Snooze for").select_option("8 h")
    mine.get_by_role("button", name="Snooze 8 h", exact=True).click(timeout=WAIT_MS)
    for page in (eyes.page, other.page):
        expect(card(page)).to_contain_text("Snoozed", timeout=WAIT_MS)
    more(mine)
    mine.get_by_text("Write something down").click()
    mine.get_by_role("combobox", name="What").select_option("Smell")
    mine.get_by_label("In your words").fill("<b>vinegar</b>")
    mine.get_by_role("button", name="Write it down").click(timeout=WAIT_MS)
    expect(mine.locator(".said")).to_have_text("Noted: smell.")
    kinds = [(one.what, one.text) for one in house.told("rye") if isinstance(one, Noted)]
    assert kinds[-3:] == [(Noting.HOOCH, ""), (Noting.SNOOZE, "8"), (Noting.SMELL, "<b>vinegar</b>")]
    assert not eyes.wrong
    assert not other.wrong
    other.page.context.close()


@pytest.mark.fault("W2")
def test_a_name_is_shown_as_text(house: House, context: BrowserContext) -> None:
    eyes = Eyes(context, house.url)
    expect(card(eyes.page, EVIL)).to_be_visible()
    for view in ("past", "plan"):
        eyes.page.goto(f"{house.url}#/{view}/{EVIL.replace(' ', '%20')}")
        expect(eyes.page.locator("h1")).to_contain_text(EVIL)
    eyes.page.goto(f"{house.url}#/health")
    expect(eyes.page.get_by_role("heading", name="Health")).to_be_visible()
    assert eyes.page.locator("img").count() == 0
    assert not eyes.wrong


def test_the_page_comes_back_by_itself_after_a_restart(house: House, context: BrowserContext) -> None:
    eyes = Eyes(context, house.url)
    eyes.chart()
    house.stop()
    expect(eyes.page.locator("#banner")).to_contain_text("Not connected", timeout=WAIT_MS)
    house.start()
    expect(eyes.page.locator("#banner")).not_to_contain_text("Not connected", timeout=WAIT_MS)
    mine = card(eyes.page, EVIL)
    more(mine)
    mine.get_by_role("button", name="Seen hooch").click()  # with the token from before
    expect(mine.locator(".said")).to_contain_text("hungry")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_phone_and_accessibility_in_every_view(house: House, browser: Browser, scheme: str) -> None:
    context = browser.new_context(viewport=PHONE, color_scheme=scheme, has_touch=True)  # type: ignore[arg-type]
    eyes = Eyes(context, house.url)
    eyes.chart()
    for view in VIEWS if scheme == "light" else VIEWS[:4]:  # the dark views differ in nothing but colours
        eyes.page.goto(house.url + view)
        expect(eyes.page.locator("h1").first).to_be_visible()
        wide = eyes.page.evaluate("document.documentElement.scrollWidth")
        assert wide <= PHONE["width"], f"{view} scrolls sideways: {wide} px"
        assert not serious(eyes.page), view
        if folder := os.environ.get("JARTIDE_SCREENSHOTS"):
            name = view.replace("/", "-").replace("#", "view").replace(":", ".")
            eyes.page.screenshot(path=f"{folder}/{name}-{scheme}.png", full_page=True)
    assert not eyes.wrong
    context.close()


def test_it_can_be_used_with_the_keyboard(house: House, context: BrowserContext) -> None:
    eyes = Eyes(context, house.url)
    page = eyes.page
    expect(page.locator("article figure")).to_have_attribute("data-points", re.compile("^[1-9]"), timeout=WAIT_MS)
    page.locator("body").press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    reached = []
    for _ in range(8):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.name || document.activeElement.textContent"))
    # the jars on the shelf, then the jar that lies open: first what is most often told
    fed = next(i for i, name in enumerate(reached) if name.startswith("Fed 25 + "))
    assert fed <= 4, reached
    assert reached[fed + 1] in ("Other grams", "Snooze 3 h"), reached
    page.goto(f"{house.url}#/plan/rye")
    slider = page.get_by_role("slider").first
    slider.focus()
    answer = page.get_by_label("The plan").locator("dl")
    before = answer.text_content()
    slider.press("Home")
    expect(answer).not_to_have_text(before or "", timeout=WAIT_MS)


def test_cycles_lie_over_each_other(house: House, context: BrowserContext) -> None:
    eyes = Eyes(context, f"{house.url}#/past/rye")
    boxes = eyes.page.get_by_role("checkbox")
    boxes.nth(1).check()
    boxes.nth(0).check()
    eyes.page.get_by_role("link", name="Overlay").click()
    expect(eyes.page.locator("h1")).to_have_text("2 cycles of rye overlaid")
    expect(eyes.page.locator("canvas")).to_have_count(1)
    expect(eyes.page.locator("tbody tr")).to_have_count(2)
    eyes.page.get_by_label("as if at 24 °C").check()
    expect(eyes.page.locator("canvas")).to_have_count(1)
    assert not eyes.wrong


def test_a_past_cycle_is_smoothed_and_a_trial_has_its_table(house: House, context: BrowserContext) -> None:
    eyes = Eyes(context, f"{house.url}#/past/rye")
    expect(
        eyes.page.locator("h2", has_text="fit to bake").or_(eyes.page.locator("h2", has_text="too new"))
    ).to_be_visible()
    eyes.page.locator(".rows a.bare", has_text="times in").first.click()
    expect(eyes.page.locator("main")).to_contain_text("from the smoother", timeout=WAIT_MS)
    expect(eyes.page.locator("h1")).to_have_text(re.compile(r"^rye, .*: \d\.\d times in \d+½? h$"))
    expect(eyes.page.locator("figure text", has_text=re.compile(r"^peak \d\d:\d\d$"))).to_be_attached()
    eyes.page.goto(f"{house.url}#/trials")
    expect(eyes.page.get_by_role("heading", name="Two flours")).to_be_visible()
    eyes.page.get_by_text("The figures, and what they settle").click()
    expect(eyes.page.locator("tbody tr")).to_have_count(2)
    assert not eyes.wrong


def test_the_first_view_is_light(house: House, context: BrowserContext) -> None:
    """Below 300 kB over the wire, compressed as a browser asks for it; tests/bench/page_speed.py has the figures."""
    page = context.new_page()
    session = context.new_cdp_session(page)
    session.send("Network.enable")
    sizes: list[float] = []
    session.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    page.goto(house.url)
    expect(card(page).locator("canvas").first).to_be_visible(timeout=WAIT_MS)
    assert 20_000 < sum(sizes) < 300_000, json.dumps(sizes)


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_words_on_buttons_stay_whole_and_wide_tables_say_so(house: House, browser: Browser, width: int) -> None:
    context = browser.new_context(viewport={"width": width, "height": 900})
    eyes = Eyes(context, house.url)
    mine = card(eyes.page)
    more(mine)
    for label in ("Starter, g", "Flour, g", "Water, g"):
        mine.get_by_label(label).fill("1000.5")
    expect(mine.get_by_role("button", name="Fed 1000.5 + 1000.5 + 1000.5 g")).to_be_visible()
    lines = """button => { const range = document.createRange(); range.selectNodeContents(button);
        const words = button.textContent.trim().split(/\\s+/).length;
        return new Set([...range.getClientRects()].map(box => Math.round(box.top))).size <= words; }"""
    for button in mine.get_by_role("button").all():
        assert button.evaluate(lines), button.text_content()
    assert eyes.page.evaluate("document.documentElement.scrollWidth") <= width
    eyes.page.goto(f"{house.url}#/over/1:1,1:2")
    box = eyes.page.get_by_role("region", name="The cycles' numbers")
    expect(box).to_be_visible()
    wider = box.evaluate("node => node.scrollWidth > node.clientWidth")
    assert wider == (width < 600)
    expect(box.locator("xpath=preceding-sibling::p")).to_be_visible(visible=wider)
    context.close()


@pytest.mark.fault("W2")
def test_mould_is_said_first_until_another_starter_is_in(house: House, context: BrowserContext) -> None:
    eyes = Eyes(context, house.url)
    mine = card(eyes.page, EVIL)
    more(mine)
    mine.locator("summary", has_text="Write something down").click()
    mine.get_by_role("combobox", name="What").select_option("mould")
    mine.get_by_role("button", name="Write it down").click(timeout=WAIT_MS)
    expect(mine.locator(".stage")).to_contain_text("Throw away", timeout=WAIT_MS)
    expect(mine.locator(".bad").first).to_contain_text("throw all of it away")
    assert not serious(eyes.page)
    eyes.page.goto(f"{house.url}#/plan/{EVIL.replace(' ', '%20')}")
    expect(eyes.page.locator(".bad")).to_contain_text("No plan for")
    expect(eyes.page.get_by_role("link", name="rye", exact=True)).to_be_visible()
    eyes.page.goto(house.url)
    mine = card(eyes.page, EVIL)
    more(mine)
    mine.locator("summary", has_text="Write something down").click()
    mine.get_by_role("combobox", name="What").select_option("new_starter")
    mine.get_by_role("button", name="Write it down").click(timeout=WAIT_MS)
    expect(mine.locator(".stage")).not_to_contain_text("Throw away", timeout=WAIT_MS)


def test_a_hand_over_the_jar_is_no_height_of_the_dough(tmp_path: Path, context: BrowserContext) -> None:
    port = free_port()
    settings = settings_of(tmp_path, ["rye"], PageSettings(port=port))
    fed_at_s = time.time() - 4 * 3600.0

    def distance_mm(_jar: str, time_s: float) -> float:
        looked_in = 2.0 < (time_s - fed_at_s) / 3600.0 < 2.1
        return EMPTY_MM - 110.0 if looked_in else over_a_fed_jar(time_s, fed_at_s)

    kitchen = Kitchen(settings, fed_at_s - 1800.0)
    kitchen.go_on(4.4, distance_mm)
    kitchen.store.close()
    server = PageServer(settings)
    server.start()
    try:
        wait_until(lambda: listens(port), "the page listens")
        eyes = Eyes(context, f"http://127.0.0.1:{port}/")
        assert 2.0 < float(eyes.chart()["top"]) < 3.5  # times: a hand would have made it four
    finally:
        server.stop()


def test_a_slip_in_the_grams_is_asked_after(house: House, context: BrowserContext) -> None:
    eyes = Eyes(context, house.url)
    mine = card(eyes.page, EVIL)
    more(mine)
    for words, grams in (("Starter, g", "25"), ("Flour, g", "100"), ("Water, g", "1000")):
        mine.get_by_label(words).fill(grams)
    mine.get_by_role("button", name="Fed like this").click()
    expect(mine.locator(".said")).to_contain_text("Feeding recorded. Water is 1000 % of the flour", timeout=WAIT_MS)
