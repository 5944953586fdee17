"""Trials, notes and cycles over each other, as a person handles them on the page."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, expect

from monitor.runs import trials
from monitor.runs.store import Store
from monitor.settings import PageSettings, Settings
from monitor.values import Noted, Noting
from tests.browsing import WAIT_MS, Eyes, serious
from tests.page.serving import shown
from tests.page_house import grow, settings_of
from tests.servers import free_port

PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def household(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    settings = settings_of(tmp_path_factory.mktemp("trials"), ["rye", "wheat", "spelt"], PageSettings(port=free_port()))
    now_s = time.time()
    grow(settings, 1.5, now_s)
    with Store.join(settings.store.path) as store:
        store.tell(Noted(time_s=now_s - 20 * 3600.0, jar="rye", what=Noting.SMELL, text="like pairs"), now_s)
    return settings


@pytest.fixture(scope="module")
def url(household: Settings) -> Iterator[str]:
    with shown(household) as address:
        yield address


@pytest.mark.dates
def test_a_trial_is_begun_judged_ended_and_forgotten(url: str, household: Settings, context: BrowserContext) -> None:
    eyes = Eyes(context, f"{url}#/trials")
    begin = eyes.page.get_by_role("button", name="Begin", exact=True)
    expect(begin).to_be_disabled()
    for jar in ("rye", "spelt"):
        eyes.page.get_by_role("button", name=jar, exact=True).click()
    eyes.page.get_by_label("What is compared").fill("two flours")
    begin.click()
    expect(eyes.page.locator(".said")).to_contain_text("has begun", timeout=WAIT_MS)
    mine = eyes.page.get_by_role("region", name="Trial two flours")
    expect(mine).to_contain_text("Nothing is settled yet")
    expect(mine).to_contain_text("No complete cycle yet")
    with Store.join(household.store.path) as store:
        (kept,) = trials.every(store)
        assert (kept.name, kept.jars, kept.ended) == ("two flours", ("rye", "spelt"), False)
        trials.keep(store, trials.TrialRecord(name=kept.name, jars=kept.jars, since_s=time.time() - 2 * 86_400.0))
    eyes.page.reload()
    expect(mine).to_contain_text(re.compile(r"\d cycles? each since"), timeout=WAIT_MS)
    expect(eyes.page.locator("figure canvas")).to_have_count(1, timeout=WAIT_MS)
    assert not serious(eyes.page)
    mine.get_by_role("button", name="End it").click()
    mine.get_by_role("button", name="Yes").click()
    expect(eyes.page.locator(".said")).to_contain_text("has ended", timeout=WAIT_MS)
    expect(eyes.page.get_by_role("heading", name="Ended")).to_be_visible()
    mine.get_by_role("button", name="Forget it").click()
    mine.get_by_role("button", name="No").click()
    mine.get_by_role("button", name="Forget it").click()
    mine.get_by_role("button", name="Yes").click()
    expect(eyes.page.locator(".said")).to_contain_text("is forgotten", timeout=WAIT_MS)
    expect(eyes.page.get_by_role("heading", name="No trials yet")).to_be_visible()
    assert not eyes.wrong


@pytest.mark.dates
def test_a_note_is_put_right_where_it_stands(url: str, household: Settings, context: BrowserContext) -> None:
    def noted() -> list[str]:
        with Store.join(household.store.path) as store:
            return [note.text for note in store.noted("rye") if note.what is Noting.SMELL]

    eyes = Eyes(context, f"{url}#/past/rye")
    eyes.page.locator(".rows a.bare", has_text="smell").first.click()
    line = eyes.page.locator("li", has_text="like pairs")
    line.get_by_role("button", name="Change").click()
    eyes.page.locator("li input[type=text]").fill("like pears")
    eyes.page.get_by_role("button", name="Save", exact=True).click()
    expect(eyes.page.locator("li", has_text="like pears")).to_contain_text("Changed.", timeout=WAIT_MS)
    assert noted() == ["like pears"]
    eyes.page.get_by_role("button", name="Change").first.click()
    assert not serious(eyes.page)
    eyes.page.get_by_role("button", name="Remove the note").click()
    expect(eyes.page.get_by_role("button", name="Remove the note")).to_have_count(0, timeout=WAIT_MS)
    assert noted() == []
    assert not eyes.wrong


def test_cycles_of_two_jars_over_each_other_and_their_picture(
    url: str, context: BrowserContext, tmp_path: Path
) -> None:
    eyes = Eyes(context, f"{url}#/past/rye")
    for jar in ("rye", "wheat"):
        eyes.page.get_by_role("navigation", name="Jars").get_by_role("link", name=jar, exact=True).click()
        expect(eyes.page.get_by_role("heading", level=1)).to_contain_text(jar)
        eyes.page.get_by_role("checkbox").nth(1).check()
    expect(eyes.page.get_by_role("button", name="remove")).to_contain_text("rye")
    eyes.page.get_by_role("link", name="Overlay").click()
    expect(eyes.page.get_by_role("heading", level=1)).to_have_text("2 cycles of rye, wheat overlaid")
    expect(eyes.page.locator("figure canvas")).to_have_count(1, timeout=WAIT_MS)
    with eyes.page.expect_download() as saved:
        eyes.page.get_by_role("button", name="Save as a picture").click()
    saved.value.save_as(tmp_path / "two.png")
    assert (tmp_path / "two.png").read_bytes().startswith(PNG)
    eyes.page.locator("tbody a").first.click()
    expect(eyes.page.get_by_role("heading", level=1)).to_contain_text("rye", timeout=WAIT_MS)
    for words, name in (("Save as a picture", "one.png"), ("Save as CSV", "one.csv")):
        with eyes.page.expect_download() as saved:
            eyes.page.get_by_role("button", name=words).click()
        saved.value.save_as(tmp_path / name)
    head, *_, last = (tmp_path / "one.csv").read_text().splitlines()
    assert head == "# jar: rye"
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ,[\d.]+,[\d.]*", last)
    assert not eyes.wrong
