"""The main stories in Firefox and WebKit, since phones differ: look, feed, look back, compare, plan."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.runs import trials
from monitor.runs.store import Store
from monitor.settings import PageSettings, Settings
from monitor.values import Fed
from tests.page.firefox import Firefox, firefox
from tests.page.serving import shown
from tests.page.webkit import WebKit, webkit
from tests.page_house import grow, settings_of
from tests.servers import free_port, wait_until

DRAWN = """[...document.querySelectorAll('main canvas')].some(canvas => canvas.getContext('2d')
  .getImageData(canvas.width / 2, 0, 1, canvas.height).data.some((value, i) => i % 4 === 3 && value > 0))"""  # a column


@pytest.fixture(scope="module")
def household(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    settings = settings_of(tmp_path_factory.mktemp("engines"), ["rye", "wheat"], PageSettings(port=free_port()))
    now_s = time.time()
    grow(settings, 1.5, now_s)
    with Store.join(settings.store.path) as store:
        trials.begin(store, "two flours", ("rye", "wheat"), now_s - 2 * 86_400.0)
    return settings


@pytest.fixture(scope="module")
def url(household: Settings) -> Iterator[str]:
    with shown(household) as address:
        yield address


@pytest.fixture(params=[(firefox, "rye"), (webkit, "wheat")], ids=["firefox", "webkit"])
def seen(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Firefox | WebKit, str]]:
    """An engine and its jar: two feedings of one jar within a minute would be one."""
    opens, jar = request.param
    with opens(tmp_path) as opened:
        yield opened, jar


def has(engine: Firefox | WebKit, words: str) -> None:
    """The view says so, and nothing scrolls sideways."""
    says = f"(document.querySelector('main')?.innerText ?? '').includes({words!r})"
    wait_until(lambda: engine.run(says), f"it says {words}")
    wide, seen = engine.run("[document.documentElement.scrollWidth, innerWidth]")
    assert wide <= seen, words


def test_main_stories(seen: tuple[Firefox | WebKit, str], url: str, household: Settings) -> None:
    engine, jar = seen
    engine.open(f"{url}#/jar/{jar}")
    has(engine, "More")
    wait_until(lambda: engine.run(DRAWN), "the curve is drawn")
    assert engine.run("document.querySelectorAll('figure svg.over text').length") > 3

    before = len(_fed(household, jar))
    tap = "[...document.querySelectorAll('article button')].find(one => one.textContent.startsWith('Fed 25'))?.click()"
    wait_until(lambda: engine.run(f"({tap}, true)") and len(_fed(household, jar)) > before, "the tap is stored")
    has(engine, "ecorded")  # "Feeding recorded.", or that a second tap was not
    assert len(_fed(household, jar)) == before + 1

    for view, words in (
        (f"past/{jar}", "Overlaid"), ("trials", "Two flours"), (f"plan/{jar}", "Keep"), ("health", "Sensors"),
        ("settings", "Quiet hours"), ("over/1:1", "Fed and noted"),
    ):  # fmt: skip
        engine.run(f"(location.hash = '#/{view}', true)")
        has(engine, words)
        if view in (f"past/{jar}", "trials", "over/1:1"):
            wait_until(lambda: engine.run(DRAWN), f"{words}: it is drawn")
    assert engine.run("document.querySelectorAll('main h1').length") == 1


def _fed(settings: Settings, jar: str) -> list[Fed]:
    with Store.join(settings.store.path) as store:
        return [one for one in store.told(jar) if isinstance(one, Fed)]
