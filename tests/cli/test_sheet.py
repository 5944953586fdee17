"""`jartide sheet` over a store that a daemon left."""

from __future__ import annotations

import json
from pathlib import Path

import time_machine

from monitor.runs import daemon_status
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import Cycle, Forecast, JarState, Span, Stage, of_grams
from tests.jar_state import jar_state
from tests.terminal import jartide

NOW_S = 1_772_450_000.0  # 2 March 2026, 11:13 UTC


def state(jar: str, stage: Stage, fed_h: float, fall_h: float | None) -> JarState:
    """A jar fed `fed_h` ago whose fall is expected in `fall_h`."""
    span = None if fall_h is None else Span(earliest_s=NOW_S, likely_s=NOW_S + fall_h * 3600.0, latest_s=NOW_S + 9e4)
    forecast = Forecast(made_at_s=NOW_S, peak_at=None, fall_at=span)
    return jar_state(NOW_S, stage, jar, fed_h, level=None, slope_mm_per_h=None, temperature_c=22.0, forecast=forecast)


def kitchen(folder: Path) -> Path:
    """A config and a store: two shelf jars and one in the fridge."""
    config = folder / "jartide.toml"
    config.write_text(
        '[[group]]\nname = "shelf"\n[[jar]]\nname = "shelf-{1..2}"\ngroup = "shelf"\n[[jar]]\nname = "spare"\n'
        '[display]\ntime_zone = "UTC"\n'
    )
    with Store.open(folder / "jartide.db") as store:
        store.ensure_run(JarSettings(name="shelf-1"), NOW_S - 9e5)
        store.put_cycle(

            Cycle(jar="shelf-1", number=0, fed_at_s=NOW_S - 8e5, told=True, feeding=of_grams((20, 100, 80), "rye"),
                  ended_at_s=NOW_S - 7e5),
        )  # fmt: skip
        states = [
            state("shelf-1", Stage.RISING, 8.0, 2.0),
            state("shelf-2", Stage.RISING, 8.0, 1.0),
            state("spare", Stage.RESTING, 90.0, None),
        ]
        daemon_status.write(store, NOW_S, states, [])
    return config


def test_the_sheet_lists_who_is_due_in_order_with_grams(tmp_path: Path) -> None:
    config = kitchen(tmp_path)
    with time_machine.travel(NOW_S, tick=False):
        done = jartide("sheet", "--config", config)
    assert done.exit_code == 0, done.output
    lines = done.output.splitlines()
    # shelf-2 is due at 12:13, nine hours after its feeding: harmless for a fifth of that, until 14:01; 3 min a jar
    # (shelf-1 is due an hour later and is none of that first one)
    assert lines[0] == "2 jars to feed within 12 h. shelf-2 first: begin by 13:58, be done by 14:01."
    assert [line.split()[3] for line in lines[1:3]] == ["shelf-2", "shelf-1"]
    assert "20 g + 100 g + 80 g rye" in lines[2]
    assert "Weigh out: 100 g rye, 80 g water." in lines
    assert "Grams never given, not in the total: shelf-2." in lines
    assert "  spare: resting" in done.output
    assert max(map(len, lines)) <= 80


def test_what_rests_on_old_readings_says_so(tmp_path: Path) -> None:
    config = kitchen(tmp_path)
    words = "No reading of shelf-1 and shelf-2 since 11:12 (6 h 30 min ago): what is said of them was known then."
    for since_h, says in ((0.1, ""), (6.5, f"{words} Is `jartide watch` running?\n")):
        with time_machine.travel(NOW_S + since_h * 3600.0, tick=False):
            done = jartide("sheet", "--json", "--config", config)
            judged = jartide("assess", "shelf-1", "--json", "--config", config)
            over = jartide("handover", "--json", "--config", config)
        assert done.stderr == over.stderr == says
        assert judged.stderr == says.replace("shelf-1 and shelf-2", "shelf-1").replace("them", "it")
        old = [one["jar"] for one in json.loads(done.stdout)["old_readings"]]
        assert old == (["shelf-1", "shelf-2"] if says else [])
        assert json.loads(over.stdout)["old_readings"] == json.loads(done.stdout)["old_readings"]
        assert [one["jar"] for one in json.loads(judged.stdout)["old_readings"]] == old[:1]


def test_nothing_due_is_the_answer_no(tmp_path: Path) -> None:
    config = kitchen(tmp_path)
    with time_machine.travel(NOW_S, tick=False):
        done = jartide("sheet", "--hours", "0.5", "--json", "--config", config)
    assert done.exit_code == 1
    assert json.loads(done.output)["rows"] == []


def test_only_one_group(tmp_path: Path) -> None:
    config = kitchen(tmp_path)
    with time_machine.travel(NOW_S, tick=False):
        done = jartide("sheet", "--group", "shelf", "--config", config)
    assert "spare" not in done.output


def test_a_jar_unlike_its_siblings_is_worth_a_look(tmp_path: Path) -> None:
    """Eight jars of one group, three feedings; one takes half as long again each time."""
    config = tmp_path / "jartide.toml"
    config.write_text('[[group]]\nname = "s"\n[[jar]]\nname = "s{1..8}"\ngroup = "s"\n')
    with Store.open(tmp_path / "jartide.db") as store:
        for n in range(1, 9):
            store.ensure_run(JarSettings(name=f"s{n}"), NOW_S - 9e5)
            for day in range(3):
                fed_s = NOW_S - 8e5 + day * 86_400.0 + n
                hours = (8.0 + 0.1 * ((n + day) % 3)) * (1.5 if n == 6 else 1.0)
                store.put_cycle(
                    Cycle(jar=f"s{n}", number=day, fed_at_s=fed_s, told=True, peak_at_s=fed_s + hours * 3600.0,
                          peak_ratio=2.5, fall_at_s=fed_s + 12 * 3600.0, ended_at_s=fed_s + 80_000.0)
                )  # fmt: skip
    with time_machine.travel(NOW_S, tick=False):
        done = jartide("sheet", "--config", config)
    (line,) = [line for line in done.output.splitlines() if line.startswith("Have a look")]
    assert line.startswith("Have a look: s6 takes 5")
    assert line.endswith("longer to its peak than the others, over the last 3 feedings.")
