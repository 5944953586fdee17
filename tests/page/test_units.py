"""Who reads °F reads it everywhere: in every view of the page, and in what the commands say in words; who reads inches
has them in pictures as well.

degF = degC * 9 / 5 + 32, exactly (UCUM): 24 and 28 degC are 75.2 and 82.4 degF, 23.5 degC is 74.3 degF.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import BrowserContext, expect

from monitor.core.display.units import Display
from monitor.review import picture
from monitor.runs.store import Store
from monitor.runs.trials import KEY as TRIAL_KEY
from monitor.settings import DisplaySettings, PageSettings
from monitor.values import Reading
from tests.browsing import WAIT_MS, Eyes
from tests.page.serving import shown
from tests.page_house import grow, settings_of
from tests.servers import free_port
from tests.terminal import jartide

pytestmark = pytest.mark.dates

VIEWS = ("#/", "#/past/rye", "#/over/1:1", "#/over/1:1,1:0", "#/plan/rye", "#/trials")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two young jars and a trial, in a house that reads °F."""
    folder = tmp_path_factory.mktemp("house")
    settings = settings_of(folder, ["rye", "white"])
    grow(settings, 0.2, time.time() - 30.0, open_h=3.0)
    with Store.join(settings.store.path) as store:
        since_s = time.time() - 86400.0
        store.set_meta(f"{TRIAL_KEY}two", json.dumps({"since_s": since_s, "jars": ["rye", "white"]}))
    (folder / "jartide.toml").write_text(
        f'store.path = "{settings.store.path}"\ndisplay.temperature = "degF"\n'
        '[[jar]]\nname = "rye"\nempty_mm = 180\nflour = "rye"\n[[jar]]\nname = "white"\nempty_mm = 180\n'
    )
    return folder


@pytest.fixture(scope="module")
def url(folder: Path) -> Iterator[str]:
    port = free_port()
    settings = settings_of(folder, ["rye", "white"], PageSettings(port=port))
    with shown(replace(settings, display=DisplaySettings(temperature="degF"))) as address:
        yield address


def test_no_view_of_the_page_speaks_of_celsius(url: str, context: BrowserContext) -> None:
    eyes = Eyes(context, url)
    for view in VIEWS:
        eyes.page.goto(url + view)
        expect(eyes.page.locator("main")).to_contain_text("°F", timeout=WAIT_MS)
        said = eyes.page.content()  # labels for who cannot see are in it
        assert "°C" not in said, view
    eyes.page.goto(f"{url}#/over/1:1,1:0")
    expect(eyes.page.get_by_label("as if at 75 °F")).to_be_visible(timeout=WAIT_MS)
    eyes.page.goto(f"{url}#/plan/rye")
    expect(eyes.page.locator("main")).to_contain_text("at 74 °F", timeout=WAIT_MS)
    assert not eyes.wrong


def test_reasons_and_advice_of_the_api_are_in_the_households_unit(url: str) -> None:
    past = httpx.get(f"{url}api/jars/rye/cycles").json()
    assert not [one for one in past["advice"] if "°C" in one["say"]]
    cold = httpx.get(f"{url}api/jars/rye/plan", params={"target_h": 4, "temperature_c": 5}).json()
    assert not cold["met"]
    assert "°C" not in cold["because"]
    assert "°F" in cold["because"]
    for trial in httpx.get(f"{url}api/trials").json():
        assert "°C" not in trial["verdict"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("assess", "rye"), "It is still rising"),
        (("plan", "--jar", "rye"), "at 74 °F"),
        (("plan", "--jar", "rye", "--temperature-c", "5"), "bring it to about 68 °F"),
        (("trial", "two"), "as at 75 °F"),
        (("review", "1"), "74.3 °F on average"),
        (("compare", "1", "2"), "74.3 °F"),
        (("status",), "74.3 °F"),
    ],
    ids=lambda words: "-".join(words) if isinstance(words, tuple) else "",
)
def test_no_command_speaks_of_celsius(folder: Path, words: tuple[str, ...], says: str) -> None:
    done = jartide(*words, "--config", folder / "jartide.toml")
    assert done.exit_code in (0, 1), done.output
    assert says in done.output
    assert "°C" not in done.output


def test_pictures_and_reports_neither(folder: Path) -> None:
    for words in (("picture", "1", "-o"), ("review", "1", "--html")):
        out = folder / ("night.svg" if words[0] == "picture" else "night.html")
        done = jartide(*words, out, "--config", folder / "jartide.toml")
        assert done.exit_code == 0, done.output
        assert "°C" not in out.read_text()
        assert "°F" in out.read_text()


def test_pictures_and_reports_are_in_inches_for_who_reads_them(folder: Path, tmp_path: Path) -> None:
    config = tmp_path / "inches.toml"
    text = (folder / "jartide.toml").read_text()
    config.write_text(text.replace('display.temperature = "degF"', 'display = { length = "in" }'))
    for words in (("picture", "1", "-o"), ("review", "1", "--html"), ("compare", "1", "2", "--html")):
        out = tmp_path / f"{words[0]}.{'svg' if words[0] == 'picture' else 'html'}"
        done = jartide(*words, out, "--config", config)
        assert done.exit_code == 0, done.output
        drawn = out.read_text()
        if words[0] != "picture":  # which counts in times
            assert re.search(", in(<| -->)", drawn)  # an axis is named, as text or beside its shapes
        assert ", mm" not in drawn


def test_inches_are_drawn_at_their_height() -> None:
    """1 in = 25.4 mm, exactly (international yard and pound agreement, 1959)."""
    readings = [Reading(time_s=60.0 * n, jar="rye", distance_mm=120.0 - 0.5 * n) for n in range(99)]
    made = picture.drawn(readings, [], empty_mm=180.0, title="", zone=UTC, show=Display(length_unit="in"))
    ticks = {
        float(label.get_text()): at_mm
        for at_mm, label in zip(made.axes[0].get_yticks(), made.axes[0].get_yticklabels(), strict=True)
    }
    assert len(ticks) >= 3
    assert all(at_mm == pytest.approx(25.4 * tick_in) for tick_in, at_mm in ticks.items())
