"""A feeding told in parts, by command and page: what comes within three hours completes what was said, and erases
nothing; grams that nobody told are taken as usual. The product's own promise."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.runs import report_body
from monitor.runs.report_body import Refused
from monitor.runs.store import Store
from monitor.settings import DisplaySettings, JarSettings, Settings, StoreSettings
from monitor.values import Fed, of_grams
from tests.core.kitchen_stories import DAY, H, cycle
from tests.kitchen import Kitchen
from tests.night import EMPTY_MM
from tests.terminal import jartide

pytestmark = pytest.mark.dates

JAR = JarSettings(name="rye", empty_mm=EMPTY_MM)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "jartide.toml"
    path.write_text(f'[store]\npath = "{tmp_path}/s.db"\n\n[[jar]]\nname = "rye"\nempty_mm = {EMPTY_MM:g}\n')
    return path


def kitchen_of(config: Path, now_s: float) -> Kitchen:
    settings = Settings(
        jars=(JAR,), store=StoreSettings(path=config.with_name("s.db")), display=DisplaySettings(time_zone="UTC")
    )
    return Kitchen(settings.store.path, now_s, settings)


def fed(config: Path, *words: object) -> None:
    done = jartide("fed", "rye", "--config", config, *words)
    assert done.exit_code == 0, done.output


def test_parts_told_by_command_and_page_make_one_feeding(config: Path) -> None:
    now_s = time.time()
    kitchen = kitchen_of(config, now_s - 600.0)
    fed(config, "--starter-g", 25, "--flour-g", 100)
    kitchen.to(now_s + 60.0)
    kitchen.daemon.flush()
    cycle = kitchen.state().cycle
    assert cycle is not None
    assert (cycle.feeding.starter_g, cycle.feeding.flour_g, cycle.feeding.water_g) == (25.0, 100.0, None)
    fed(config, "--starter-g", 30)  # put right, and nothing else said
    later_s = time.time() + 120.0
    kitchen.to(later_s)
    # the water on the page, two minutes later
    report_body.tell(kitchen.store, report_body.fed_of({"water_g": 110, "minutes_ago": 2}, JAR, later_s), later_s)
    kitchen.to(later_s + 120.0)
    kitchen.daemon.flush()
    cycle = kitchen.state().cycle
    assert cycle is not None
    assert (cycle.feeding.starter_g, cycle.feeding.flour_g, cycle.feeding.water_g) == (30.0, 100.0, 110.0)
    assert [kind.value for kind in kitchen.kinds()].count("fed") == 1  # one feeding, not three
    kitchen.store.close()


def test_a_tap_that_completes_is_taken_at_once_and_the_same_tap_again_is_not(config: Path) -> None:
    now_s = time.time()
    kitchen = kitchen_of(config, now_s)
    told = Fed(time_s=now_s, jar="rye")
    report_body.tell(kitchen.store, told, now_s)
    whole = replace(told, feeding=of_grams((25.0, 100.0, 100.0)))
    report_body.tell(kitchen.store, whole, now_s + 5.0)
    with pytest.raises(Refused, match="within the last minute"):
        report_body.tell(kitchen.store, whole, now_s + 8.0)
    kitchen.store.close()


def test_the_command_says_what_the_rest_is_taken_as(config: Path) -> None:
    with Store.open(config.with_name("s.db")) as store:
        store.ensure_run(JAR, time.time() - 5 * DAY)
        store.put_cycle(replace(cycle(0.0, end_h=24.0), number=0, jar="rye", fed_at_s=time.time() - 30 * H))
    told = jartide("fed", "rye", "--config", config, "--flour-g", "200")
    assert "The rest is taken as usual, 25+200+200 g (1:8:8)".replace("+", " + ") in told.output
    more = jartide("fed", "rye", "--config", config, "--starter-g", "50", "--water-g", "180")
    assert "taken as usual" not in more.output  # together they are whole


def test_bare_grams_are_answered_with_how_to_say_them(config: Path) -> None:
    done = jartide("fed", "rye", "--config", config, "20", "80", "80")
    assert (done.exit_code, done.stderr) == (
        2,
        "20 80 80: say what is what: jartide fed rye --starter-g 20 --flour-g 80 --water-g 80\n",
    )
