"""A time that is typed is read in the zone that times are shown in: the config's, wherever the machine stands."""

from __future__ import annotations

import json
import re
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import click
import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.cli.opening import moment
from monitor.runs.store import Store
from monitor.runs.trials import KEY as TRIAL_KEY
from monitor.values import Noted

pytestmark = pytest.mark.dates

ZONES = ("Pacific/Auckland", "America/Los_Angeles", "Asia/Kathmandu")  # far from each other and from any machine here


@pytest.fixture(params=ZONES)
def house(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, ZoneInfo]:
    """A config with a zone, and an empty store. Its people are up at all hours, so that a plan is as good at any."""
    Store.open(tmp_path / "s.db").close()
    config = tmp_path / "jartide.toml"
    jars = "".join(f'[[jar]]\nname = "{name}"\n' for name in ("rye", "white"))
    up = 'notices = { quiet_from = "03:00", quiet_to = "03:01" }'
    config.write_text(f'store.path = "{tmp_path / "s.db"}"\ndisplay.time_zone = "{request.param}"\n{up}\n{jars}')
    return config, ZoneInfo(request.param)


def jartide(config: Path, *words: str) -> str:
    done = CliRunner().invoke(main, [*words, "--config", str(config)])
    assert done.exit_code in (0, 1), done.output
    return done.output


@pytest.mark.parametrize("form", ["%H:%M", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M"])
def test_a_note_is_of_the_time_that_the_household_reads(house: tuple[Path, ZoneInfo], form: str) -> None:
    config, zone = house
    at = datetime.now(zone) - timedelta(hours=2)
    jartide(config, "note", "rye", "smell", "--at", f"{at:{form}}")
    with Store.join(config.with_name("s.db")) as store:
        (noted,) = [one for one in store.told("rye") if isinstance(one, Noted)]
    assert 0.0 <= at.timestamp() - noted.time_s < 60.0
    assert f"({at:%H:%M}" in jartide(config, "status")  # and is shown as it was typed


def test_a_trial_counts_from_then_on(house: tuple[Path, ZoneInfo]) -> None:
    config, zone = house
    since = datetime.now(zone) - timedelta(days=3)
    jartide(config, "trial", "two", "rye", "white", "--since", f"{since:%Y-%m-%d %H:%M}")
    with Store.join(config.with_name("s.db")) as store:
        kept_s = json.loads(store.meta(f"{TRIAL_KEY}two") or "")["since_s"]
    assert 0.0 <= since.timestamp() - kept_s < 60.0


def test_a_plan_for_a_moment_comes_out_then(house: tuple[Path, ZoneInfo]) -> None:
    config, zone = house
    wanted = datetime.now(zone) + timedelta(hours=20)
    asked = ("plan", "--jar", "rye", "--at", f"{wanted:%Y-%m-%d %H:%M}")
    said = jartide(config, *asked)
    feed = re.match(r"(\w+ \d+ \w+), (\d\d:\d\d): keep", said)
    assert feed, said
    peak_h = json.loads(jartide(config, *asked, "--json"))["hours_to_peak"]["likely"]
    starts = (wanted - timedelta(hours=peak_h)).replace(tzinfo=zone)
    told = datetime.strptime(feed[2], "%H:%M").replace(
        year=starts.year, month=starts.month, day=starts.day, tzinfo=zone
    )
    apart_h = (told - starts) / timedelta(hours=1)
    assert min(abs(apart_h), 24.0 - abs(apart_h)) < 0.2
    assert feed[1] in {f"{starts + timedelta(hours=h):%a %-d %b}" for h in (-0.2, 0.2)}


def test_times_that_say_their_zone_and_times_to_come() -> None:
    zone, now_s = ZoneInfo("Pacific/Auckland"), datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()  # 19:00 there
    assert moment("2026-03-02T05:00:00Z", zone, now_s=now_s) == now_s - 3600.0
    assert moment("18:30", zone, now_s=now_s) == now_s - 1800.0
    assert moment("19:30", zone, now_s=now_s) == now_s - 23.5 * 3600.0
    # clocks went back on 5 April 2026 at 03:00 there: the day has 25 hours
    april_s = datetime(2026, 4, 5, 12, 0, tzinfo=zone).timestamp()
    assert moment("2026-04-04 12:00", zone, now_s=april_s) == april_s - 25 * 3600.0
    assert moment("13:00", zone, now_s=april_s) == april_s - 24 * 3600.0  # yesterday's
    with pytest.raises(click.BadParameter, match="in the future"):
        moment("2026-03-02 19:30", zone, now_s=now_s)
    assert abs(moment(None, zone) - time.time()) < 60.0
