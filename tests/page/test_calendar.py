"""The calendar that phones subscribe to, read back by icalendar's own parser; rules after RFC 5545 and RFC 7986."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import httpx
import icalendar
import pytest
from playwright.sync_api import Browser, expect

from monitor.core.display.units import Display
from monitor.page.calendar_feed import feed
from monitor.runs import daemon_status, kept_bake
from monitor.runs.kept_bake import Asked, KeptBake
from monitor.runs.store import Store
from monitor.settings import Settings
from monitor.values import Cycle, Forecast, JarState, Span, Stage, of_grams
from tests.browsing import PHONE, WAIT_MS, Eyes, serious
from tests.page.serving import serving, token
from tests.terminal import jartide

NOW_S = 1_790_000_000.0
H_S = 3600.0
STATE = JarState(
    jar="rye", now_s=NOW_S, stage=Stage.RISING, cycle=None, previous=None, level=None, slope_mm_per_h=None,
    slope_sd_mm_per_h=None, last_reading_s=NOW_S, temperature_c=24.0, room_c=None, noise_mm=None, sampling_s=None,
    silent_since_s=None, stuck_since_s=None, lid_off_since_s=None, question=None, forecast=None,
)  # fmt: skip


def span(at_s: float) -> Span:
    return Span(earliest_s=at_s - H_S, likely_s=at_s, latest_s=at_s + H_S)


def cycle(**changes: float) -> Cycle:
    return Cycle(jar="rye", number=1, **changes)  # type: ignore[arg-type]


def events(store: Store, *states: JarState, jars: tuple[str, ...] = ("rye", "wheat")) -> dict[str, icalendar.Event]:
    daemon_status.write(store, NOW_S, states, [])
    body, _ = feed(store, jars, "abc", "http://kitchen.local:8140", Display())
    whole = icalendar.Calendar.from_ical(body)
    assert whole["METHOD"] == "PUBLISH"
    assert whole["REFRESH-INTERVAL"].to_ical() == b"PT15M"
    found = {str(event["SUMMARY"]): event for event in whole.walk("VEVENT")}
    assert all(event["UID"] and event["DTSTAMP"] and event["DTSTART"].dt.tzinfo for event in found.values())
    return found


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store.open(tmp_path / "s.db", NOW_S)


def test_what_is_expected_moves_and_what_began_is_certain(store: Store) -> None:
    fed_s = NOW_S - 4 * H_S
    rising = replace(STATE, cycle=cycle(fed_at_s=fed_s), forecast=Forecast(
        made_at_s=NOW_S, peak_at=span(NOW_S + 2 * H_S), fall_at=span(NOW_S + 4 * H_S)))  # fmt: skip
    first = events(store, rising)
    assert set(first) == {"Feed rye (expected)", "rye at its peak (expected)"}
    feeding = first["Feed rye (expected)"]
    assert (feeding["STATUS"], feeding["DTSTART"].dt.timestamp()) == ("TENTATIVE", NOW_S + 4 * H_S)
    moved = replace(rising, forecast=Forecast(made_at_s=NOW_S + H_S, peak_at=None, fall_at=span(NOW_S + 5 * H_S)))
    later = events(store, moved)["Feed rye (expected)"]
    assert (later["UID"], later["SEQUENCE"] > feeding["SEQUENCE"]) == (feeding["UID"], True)
    fallen = replace(STATE, cycle=cycle(fed_at_s=fed_s, fall_at_s=NOW_S, peak_at_s=NOW_S - H_S))
    now = events(store, fallen)
    assert set(now) == {"Feed rye now", "rye at its peak"}
    assert (now["Feed rye now"]["UID"], now["Feed rye now"]["STATUS"]) == (feeding["UID"], "CONFIRMED")
    assert now["Feed rye now"]["SEQUENCE"] > later["SEQUENCE"]
    store.close()


def test_a_planned_bake_is_in_it_and_another_jar_is_not(store: Store) -> None:
    fed = of_grams((12, 96, 96))
    asked = Asked(wanted_s=NOW_S + 20 * H_S, flour_g=900.0)
    bake = KeptBake(asked=asked, feedings=((NOW_S - H_S, fed), (NOW_S + 8 * H_S, fed)), planned_s=NOW_S - 9 * H_S)
    kept_bake.keep(store, "rye", bake)
    found = events(store, STATE)
    assert set(found) == {"Feed rye for the bake", "Mix the dough with rye"}
    assert str(found["Feed rye for the bake"]["DESCRIPTION"]).startswith("Keep 12 g, add 96 g flour")
    assert events(store, STATE, jars=("wheat",)) == {}
    store.close()


@pytest.mark.fault("W13")
def test_the_address_is_the_secret_and_can_be_changed(household: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WORD", "tide")
    with serving(household, password_env="WORD") as client:
        client.post("/login", data={"password": "tide"})
        said = client.get("/api/calendar").json()
        assert set(said["jars"]) == {"rye"}
        with httpx.Client(base_url=client.base_url) as phone:
            assert phone.get("/api/calendar").status_code == 401
            mine = phone.get("/" + said["jars"]["rye"])
            assert mine.headers["content-type"] == "text/calendar; charset=utf-8"
            assert icalendar.Calendar.from_ical(mine.content)["VERSION"] == "2.0"
            same = phone.get("/" + said["all"], headers={"if-none-match": mine.headers["etag"]})
            assert same.status_code == 304  # one jar: the same events
            assert phone.get("/calendar/guess.ics").status_code == 404
            assert client.post("/api/calendar/revoked").status_code == 403
            new = client.post("/api/calendar/revoked", headers=token(client)).json()
            assert phone.get("/" + said["all"]).status_code == 404
            assert phone.get("/" + new["all"]).status_code == 200
    monkeypatch.setenv("WORD", "another")
    with serving(household, password_env="WORD") as client:
        assert client.get("/" + new["all"]).status_code == 404


def told(settings: Settings, path: Path, *words: str) -> tuple[int, str]:
    path.write_text(
        f'[[jar]]\nname = "rye"\n[store]\npath = "{settings.store.path}"\n[page]\npassword_env = "WORD"\n'
        'address = "https://jar.lan"\n'
    )
    done = jartide("calendar", *words, "--config", path)
    return done.exit_code, done.output


@pytest.mark.fault("W13")
def test_the_command_prints_and_changes_what_the_page_serves(
    household: Settings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WORD", "tide")
    config = tmp_path / "jartide.toml"
    with serving(household, password_env="WORD", address="https://jar.lan") as client:
        client.post("/login", data={"password": "tide"})
        said = client.get("/api/calendar").json()
        code, printed = told(household, config)
        assert (code, said["address"]) == (0, "https://jar.lan")
        assert printed.splitlines() == [
            f"every jar  https://jar.lan/{said['all']}",
            f"rye        https://jar.lan/{said['jars']['rye']}",
        ]
        moved = json.loads(told(household, config, "rye", "--revoke", "--json")[1])
        assert moved["all"] is None
        with httpx.Client(base_url=client.base_url) as phone:
            assert phone.get("/" + said["jars"]["rye"]).status_code == 404
            assert phone.get(moved["jars"]["rye"].removeprefix("https://jar.lan")).status_code == 200
    assert told(household, config, "wheat")[0] == 2
    config.write_text('[[jar]]\nname = "rye"\n[page]\non = false\n')
    assert jartide("calendar", "--config", config).exit_code == 2


def test_the_page_shows_where_it_is_keeps_a_bake_and_moves_it(household: Settings, browser: Browser) -> None:
    with serving(household) as client:
        context = browser.new_context(viewport=PHONE)
        eyes = Eyes(context, f"{client.base_url}/#/plan/rye")
        page = eyes.page
        page.get_by_role("button", name="Bake", exact=True).click()
        page.get_by_role("button", name="Keep this bake").click()
        expect(page.get_by_text("Warmth where it stands")).to_have_count(0)  # the feeding was asked for first
        expect(page.get_by_text("Kept: its feedings stand in the calendar")).to_be_visible(timeout=WAIT_MS)
        page.get_by_text("In your phone’s calendar").click()
        field = page.get_by_label("Address, only rye")
        expect(field).to_have_value(f"{client.base_url}/{client.get('/api/calendar').json()['jars']['rye']}")
        before = field.input_value()
        assert "Mix the dough with rye" in client.get(before).text
        assert serious(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        if folder := os.environ.get("JARTIDE_SCREENSHOTS"):
            page.screenshot(path=f"{folder}/calendar_phone.png", full_page=True)
        page.get_by_role("button", name="Give all calendars").click()
        expect(field).not_to_have_value(before)
        assert client.get(before).status_code == 404
        assert not eyes.wrong
        context.close()
