"""`jartide bake`, `begun`, `guide` and what a note is answered with, as a person or another program calls them."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import icalendar
import pytest
from click.testing import Result

from monitor import guide
from monitor.cli.moments import moment_to_come
from monitor.runs import history
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import Cycle, Noting, of_grams
from tests.terminal import jartide

pytestmark = pytest.mark.dates

H, DAY = 3600.0, 86_400.0


@pytest.fixture
def no_rows(tmp_path: Path) -> Path:
    path = tmp_path / "cycles.csv"
    path.write_text(",".join(history.COLUMNS) + "\n")
    return path


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A jar with six steady cycles, the last of them open and five hours old."""
    path = tmp_path / "jartide.toml"
    path.write_text(
        f'[store]\npath = "{tmp_path}/s.db"\n\n[display]\ntime_zone = "UTC"\n\n[[jar]]\nname = "rye"\nempty_mm = 180\n'
        'rim_mm = 140\ngeometry = {shape = "straight", diameter_mm = 80}\n'
    )
    now_s = datetime.now(UTC).timestamp()
    with Store.open(tmp_path / "s.db") as store:
        store.ensure_run(JarSettings(name="rye", empty_mm=180.0), now_s - 8 * DAY)
        for i in range(6):
            fed_s = now_s - 5 * H - (5 - i) * DAY
            done = i < 5
            store.put_cycle(
                Cycle(
                    jar="rye", number=i + 1, fed_at_s=fed_s, told=True, feeding=of_grams((25, 100, 100)),
                    peak_at_s=fed_s + 9 * H if done else None, peak_ratio=2.4 if done else None,
                    fall_at_s=fed_s + 11 * H if done else None, ended_at_s=fed_s + DAY if done else None,
                    temperatures_c=(22.0,) * (12 if done else 5),
                )
            )  # fmt: skip
    return path


def baked(*words: object) -> tuple[Result, dict[str, Any]]:
    done = jartide("bake", *words, "--format", "json")
    return done, json.loads(done.stdout) if done.stdout else {}


def test_a_bake_from_no_history_has_all_that_the_contract_names(no_rows: Path) -> None:
    at = f"{datetime.now() + timedelta(hours=30):%Y-%m-%d %H:%M}"
    done, made = baked("--history", no_rows, "--at", at, "--flour-g", 900, "--levain-pct", 20, "--temperature-c", 22)
    assert done.exit_code == (0 if made["met"] else 1)
    assert (made["take_g"], made["keep_g"]) == (180, 20)
    assert set(made) >= {"feedings", "ready", "take_g", "keep_g", "discard_g", "met", "because"}
    for one in made["feedings"]:
        assert set(one) >= {"at", "starter_g", "flour_g", "water_g", "from", "place_c"}
        assert 1.0 <= one["flour_g"] / one["starter_g"] <= 21.0
    last = made["feedings"][-1]
    assert last["starter_g"] + last["flour_g"] + last["water_g"] >= 200 / 0.98  # two percent are lost
    ready = {name: datetime.fromisoformat(at) for name, at in made["ready"].items()}
    assert ready["earliest"] < ready["likely"] < ready["latest"]


def test_too_short_a_time_is_a_no_with_what_can_be_done(no_rows: Path) -> None:
    at = f"{datetime.now() + timedelta(hours=2):%Y-%m-%d %H:%M}"
    done, made = baked("--history", no_rows, "--at", at, "--flour-g", 900, "--temperature-c", 22)
    assert done.exit_code == 1
    assert made["met"] is False
    assert any("mix at about" in one for one in made["instead"])


def test_a_jars_bake_begins_from_what_is_in_it_and_is_planned_again(config: Path) -> None:
    at = f"{datetime.now(UTC) + timedelta(hours=44):%Y-%m-%d %H:%M}"
    done, made = baked("--jar", "rye", "--config", config, "--at", at, "--flour-g", 900)
    assert done.exit_code in (0, 1)
    now_s = datetime.now(UTC).timestamp()
    first_s = datetime.fromisoformat(made["feedings"][0]["at"]).timestamp()
    assert first_s >= now_s + 2.5 * H  # fed five hours ago, its top takes nine
    assert "fed" in made["feedings"][0]["from"]
    again = jartide("bake", "--jar", "rye", "--config", config)
    assert "take 180 g for the dough" in again.stdout
    # the jar was quicker than thought: what it told of the feedings is put right
    with Store.join(config.with_name("s.db")) as store:
        kept = json.loads(store.meta("bake:rye") or "")
        kept["fed_at_s"] = [at_s + 3 * H for at_s in kept["fed_at_s"]]
        store.set_meta("bake:rye", json.dumps(kept))
    assert "is now at" in jartide("bake", "--jar", "rye", "--config", config).stdout


def test_a_bake_days_ahead_offers_the_fridge_and_keeps_it_when_asked(config: Path) -> None:
    at = f"{datetime.now(UTC) + timedelta(days=6):%Y-%m-%d} 12:00"
    words = ("--jar", "rye", "--config", config, "--at", at, "--flour-g", 900)
    _, often = baked(*words)
    assert often["meanwhile"]["met"]
    assert len(often["meanwhile"]["feedings"]) <= len(often["feedings"]) - 2
    assert "rest" not in often
    text = jartide("bake", *words).stdout
    for says in ("--fridge", "in the fridge, lid loose", "instead of"):
        assert says in text
    _, made = baked(*words, "--fridge")
    assert {"from", "until"} <= set(made["rest"])
    assert [one["at"] for one in made["feedings"]] == [one["at"] for one in often["meanwhile"]["feedings"]]
    assert not any(one["at_night"] for one in made["feedings"])
    again = baked("--jar", "rye", "--config", config)[1]  # kept so
    assert "rest" in again
    events = icalendar.Calendar.from_ical(jartide("bake", *words, "--fridge", "--format", "ics").stdout).walk("VEVENT")
    assert "Into the fridge with the starter" in [str(event["SUMMARY"]) for event in events]


def test_a_bake_with_a_young_starter_says_first_that_it_is_not_fit(config: Path) -> None:
    at = f"{datetime.now(UTC) + timedelta(hours=30):%Y-%m-%d %H:%M}"
    words = ("--jar", "rye", "--config", config, "--at", at, "--flour-g", 900)
    assert jartide("begun", "rye", "old", "--config", config).exit_code == 0
    assert baked(*words)[1]["cautions"][0].startswith("The hour")
    born = f"{datetime.now(UTC) - timedelta(days=4):%Y-%m-%d}"
    assert jartide("begun", "rye", born, "--config", config).exit_code == 0
    _, made = baked(*words)
    assert made["cautions"][0].startswith("Is it fit to bake with? Not yet")
    assert "first week is mostly not yeast" in made["cautions"][0]
    young = jartide("plan", "--jar", "rye", "--config", config, "--target-hours", 12)
    assert "It is young, on day" in young.stdout


def test_a_bake_as_a_calendar_is_read_back_by_another_program(no_rows: Path) -> None:
    at = f"{datetime.now() + timedelta(hours=30):%Y-%m-%d %H:%M}"
    words = ("--history", no_rows, "--at", at, "--flour-g", 900, "--temperature-c", 22)
    done = jartide("bake", *words, "--format", "ics")
    events = icalendar.Calendar.from_ical(done.stdout).walk("VEVENT")  # RFC 5545
    _, made = baked(*words)
    assert len(events) == len(made["feedings"]) + 1
    assert str(events[0]["SUMMARY"]).startswith("Feed: keep ")
    assert "take 180 g" in str(events[-1]["SUMMARY"])
    assert events[0]["DTSTART"].dt.tzinfo is not None
    assert all(event.walk("VALARM") for event in events)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--at", "Someday 09:00", "--flour-g", 900), "--at"),
        (("--at", "2001-01-01 09:00", "--flour-g", 900), "is past"),
        (("--at", "soon", "--flour-g", 900), "Saturday 09:00"),
        (("--at", "09:00"), "--flour-g"),
        (("--flour-g", 900), "--at"),
        (("--at", "09:00", "--flour-g", 0), "flour-g"),
    ],
)
def test_a_wrong_call_is_one_line_and_exit_2(no_rows: Path, words: tuple[object, ...], says: str) -> None:
    done = jartide("bake", "--history", no_rows, *words)
    assert done.exit_code == 2
    assert says in done.stderr


def test_a_time_to_come_as_people_say_it() -> None:
    zone = timezone(timedelta(hours=1))
    friday = datetime(2026, 3, 6, 20, 0, tzinfo=zone).timestamp()  # the 6th of March 2026 is a Friday
    for text, day, hour in (
        ("Saturday 09:00", 7, 9), ("sat 09:00", 7, 9), ("09:00", 7, 9), ("21:00", 6, 21), ("tomorrow 08:00", 7, 8),
        ("Friday 21:00", 6, 21), ("Friday 19:00", 13, 19), ("2026-03-08 09:00", 8, 9),
    ):  # fmt: skip
        found = datetime.fromtimestamp(moment_to_come(text, friday, zone), zone)
        assert (found.day, found.hour) == (day, hour), text


# --- begun, notes, rest, fed ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("said", ["2026-03-02", "old", "dried"])
def test_when_it_was_begun_is_kept(config: Path, said: str) -> None:
    done = jartide("begun", "rye", said, "--config", config)
    assert done.exit_code == 0
    with Store.join(config.with_name("s.db")) as store:
        (note,) = [one for one in store.noted("rye", 1e12) if one.what is Noting.BEGUN]  # from any time
    assert note.text == said


@pytest.mark.parametrize("said", ["yesterday", "2026-13-40", "2999-01-01", ""])
def test_no_date_is_one_line_and_exit_2(config: Path, said: str) -> None:
    done = jartide("begun", "rye", said, "--config", config)
    assert done.exit_code == 2
    assert "DATE" in done.stderr


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("sour",), ["1:5:5", "25 to 26 °C", "guide mild"]),
        (("mild",), ["1:2:2", "20 °C", "guide sour"]),
        (("hooch",), ["hungry", "stir it in or pour it off"]),
        (("smell", "acetone"), ["hungry", "guide acetone"]),
        (("remark", "white fuzz"), ["throw all of it away", "note rye mould"]),
        (("float_test", "it sank"), ["says little"]),
    ],
)
def test_a_note_is_answered(config: Path, words: tuple[str, ...], says: list[str]) -> None:
    done = jartide("note", "rye", *words, "--config", config)
    assert done.exit_code == 0
    for one in says:
        assert one in done.stdout


def test_going_into_the_fridge_and_out_of_it(config: Path) -> None:
    assert "let it begin to rise" in jartide("rest", "rye", "--config", config).stdout
    assert "once or twice before you bake" in jartide("rest", "rye", "--over", "--config", config).stdout


def test_a_new_starter_is_answered_by_its_day_and_a_journey_by_its_days(config: Path) -> None:
    today = f"{datetime.now(UTC) - timedelta(days=5):%Y-%m-%d}"
    said = jartide("begun", "rye", today, "--config", config).stdout
    assert "Day 6: Silence is usual now" in said
    assert "jartide guide young" in said
    assert (
        "discard nothing at its first two feedings"
        in jartide("begun", "rye", "dried", "--config", config).stdout.lower()
    )
    assert "Day" not in jartide("begun", "rye", "old", "--config", config).stdout
    assert "20 g, add 40 g flour" in jartide("rest", "rye", "--days", 21, "--config", config).stdout
    assert jartide("rest", "rye", "--days", "long", "--config", config).exit_code == 2


def test_a_bake_that_is_no_more_is_forgotten(config: Path) -> None:
    at = f"{datetime.now(UTC) + timedelta(hours=44):%Y-%m-%d %H:%M}"
    assert jartide("bake", "--jar", "rye", "--config", config, "--at", at, "--flour-g", 900).exit_code in (0, 1)
    assert "the bake is cancelled" in jartide("bake", "--jar", "rye", "--over", "--config", config).stdout
    assert jartide("bake", "--jar", "rye", "--config", config).exit_code == 2
    assert jartide("bake", "--over").exit_code == 2


def test_grams_that_are_not_said_are_taken_as_usual_and_that_is_said(config: Path) -> None:
    done = jartide("fed", "rye", "--config", config)
    assert "Taken as usual, 25 + 100 + 100 g (1:4:4)" in done.stdout
    assert "Taken as usual" not in jartide("fed", "rye", "--starter-g", 20, "--config", config).stdout


# --- the guide --------------------------------------------------------------------------------------------------------

TOPICS = (
    "curve", "ratios", "warm", "cold", "swings", "not active yet", "fit", "bake", "sour", "mild", "smells",
    "hooch", "flour", "water", "chlorine", "bleached", "fridge", "drying", "travel", "discard", "waste",
    "mould", "streaks", "flies", "lid", "trial", "float", "dome", "hydration", "weak", "acetone", "vinegar",
    "holidays", "tiny", "1:4:4", "young",
)  # fmt: skip


@pytest.mark.parametrize("topic", TOPICS)
def test_a_topic_opens_by_one_word(topic: str) -> None:
    done = jartide("guide", *topic.split())
    assert done.exit_code == 0
    assert len(done.stdout) > 300


def test_the_guide_lists_its_pages_forgives_a_slip_and_knows_what_it_has_not() -> None:
    listed = jartide("guide").stdout
    assert all(page.title in listed for page in guide.pages())
    assert len(guide.pages()) == 13
    assert jartide("guide", "hoch").stdout == jartide("guide", "hooch").stdout
    done = jartide("guide", "quantum")
    assert done.exit_code == 2
    assert "quantum" in done.stderr


def test_pages_keep_to_their_width_and_to_the_cautions() -> None:
    texts = {page.key: page.text for page in guide.pages()}
    assert all(len(line) <= 120 for text in texts.values() for line in text.splitlines())
    everything = " ".join(texts.values())
    assert "Raw flour" in everything
    assert "Never seal" in texts["throw"]
