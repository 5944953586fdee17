"""`jartide plan`, `assess` and `trial` as a person, or another program, calls them; and the CYCLES.csv they read."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.runs import history
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import Cycle, Noted, Noting, of_grams
from tests.terminal import jartide

pytestmark = pytest.mark.dates

T = 1_772_409_600.0  # 2026-03-02T00:00:00Z
HEADER = ",".join(history.COLUMNS)
GOOD = (
    "2026-03-02T06:00:00Z,25,100,100,21.3,9.6,11.4,2.3",
    "2026-03-03T06:00:00Z,25,100,100,19.8,11.5,13.7,2.2",
    "2026-03-04T06:00:00Z,30,100,100,22.4,8.1,9.8,2.4",
)


def csv(tmp_path: Path, *rows: str, header: str = HEADER) -> Path:
    path = tmp_path / "cycles.csv"
    path.write_text("\n".join((header, *rows)) + "\n")
    return path


def planned(path: Path, *more: object, target_h: object = 24, c: object = 21) -> tuple[Result, dict[str, Any]]:
    done = jartide(
        "plan", "--history", path, "--target-hours", target_h, "--temperature-c", c, "--format", "json", *more
    )
    return done, json.loads(done.stdout) if done.stdout else {}


# --- the contract -----------------------------------------------------------------------------------------------------


def test_a_plan_from_a_history(tmp_path: Path) -> None:
    done, made = planned(csv(tmp_path, *GOOD), target_h=14)
    assert done.exit_code == 0
    assert done.stderr == ""
    assert made["met"] is True
    assert made["flour_g"] == made["water_g"] == 100
    assert made["starter_g"] < 30
    assert made["ratio"].startswith("1:")
    hours = made["hours_to_fall"]
    assert hours["earliest"] < hours["likely"] < hours["latest"]
    assert hours["likely"] == pytest.approx(14, rel=0.05)
    assert all(isinstance(made[name], int) for name in ("starter_g", "flour_g", "water_g"))
    assert made["because"].endswith(".")


def test_kept_starter_is_fixed_and_the_rest_solved(tmp_path: Path) -> None:
    done, made = planned(csv(tmp_path, *GOOD), "--keep-g", 25, target_h=16)
    assert done.exit_code == 0
    assert made["starter_g"] == 25
    assert made["flour_g"] == made["water_g"] > 100


def test_what_will_this_feeding_do_is_a_question_and_needs_neither_jar_nor_history(tmp_path: Path) -> None:
    question = ("plan", "--keep-g", 25, "--flour-g", 100, "--temperature-c", 22, "--format", "json")
    done = jartide(*question, "--water-g", 100)
    assert done.exit_code == 0
    made = json.loads(done.stdout)
    assert made["met"] is None
    assert (made["ratio"], made["starter_g"]) == ("1:4:4", 25)
    for name in ("hours_to_peak", "hours_to_fall", "hours_to_half_sunk"):
        assert 0 < made[name]["earliest"] <= made[name]["likely"] <= made[name]["latest"]
    assert "instead" not in made
    assert json.loads(jartide(*question, "--hydration-pct", 100).stdout) == made
    # whatever is asked is answered, and doubt is said
    lean = jartide("plan", "--keep-g", 2, "--flour-g", 300, "--water-g", 200, "--temperature-c", 34, "--format", "json")
    assert lean.exit_code == 0
    assert "leaner than 1:20" in json.loads(lean.stdout)["because"]
    assert "Starters react differently" in json.loads(lean.stdout)["because"]
    assert jartide("plan", "--keep-g", 25, "--temperature-c", 22).exit_code == 2
    assert jartide("plan", "--water-g", 25, "--history", csv(tmp_path), "--temperature-c", 22).exit_code == 2


def test_the_water_that_is_mixed_in_counts() -> None:
    question = ("plan", "--keep-g", 25, "--flour-g", 100, "--water-g", 100, "--temperature-c", 22, "--format", "json")
    peak_h = [
        json.loads(jartide(*question, *more).stdout)["hours_to_peak"]["likely"]
        for more in ((), ("--water-c", 8), ("--water-c", 36))
    ]
    assert peak_h[2] < peak_h[0] < peak_h[1]
    refused = jartide(*question, "--water-c", 70)
    assert refused.exit_code == 2
    assert "--water-c: 70" in refused.stderr


def test_what_no_ratio_does_comes_with_what_can_be_done(tmp_path: Path) -> None:
    done, made = planned(csv(tmp_path), target_h=24, c=22)
    assert done.exit_code == 1
    assert made["met"] is False
    assert made["starter_g"] >= 5
    assert made["instead"]
    for one in made["instead"]:
        assert one["do"]
        assert one["because"]
        assert one["hours_to_fall"]["earliest"] <= one["hours_to_fall"]["likely"] <= one["hours_to_fall"]["latest"]
    said = jartide("plan", "--history", csv(tmp_path), "--temperature-c", 22).stdout
    assert said.startswith("Keep 10 g, add 100 g flour and 100 g water (1:10:10) and feed every 24 h anyway")
    assert "(24 h is the default; ask for others with --target-hours)" in said
    assert "that is fine" in said


def test_once_a_day_is_one_line_and_moves_with_the_weather(tmp_path: Path) -> None:
    kept = []
    for c in (16, 18, 20, 22):
        done = jartide("plan", "--history", csv(tmp_path), "--once-a-day", "--temperature-c", c, "--format", "json")
        made = json.loads(done.stdout)
        assert done.exit_code == 0
        assert made["sinking_h"]["likely"] < 12
        kept.append(made["starter_g"])
    assert kept == sorted(kept, reverse=True)
    hot = jartide("plan", "--history", csv(tmp_path), "--once-a-day", "--temperature-c", 28)
    assert hot.exit_code == 1
    assert "feed it twice" in hot.stdout


def test_no_rows_is_answered_from_the_prior(tmp_path: Path) -> None:
    done, made = planned(csv(tmp_path), target_h=14)
    assert done.exit_code == 0
    assert (made["flour_g"], made["water_g"]) == (100, 100)
    assert made["hours_to_fall"]["latest"] > 1.5 * made["hours_to_fall"]["earliest"]


def test_history_narrows_the_range(tmp_path: Path) -> None:
    rows = [f"2026-03-{day:02}T06:00:00Z,25,100,100,21,10,12,2.3" for day in range(1, 9)]
    wide, narrow = (planned(csv(tmp_path, *some), target_h=14)[1]["hours_to_fall"] for some in ((), rows))
    assert narrow["latest"] - narrow["earliest"] < 0.5 * (wide["latest"] - wide["earliest"])


@pytest.mark.parametrize(("target_h", "c"), [(0.33, 21), (400, 21), (24, 45), (24, 2)])
def test_what_cannot_be_reached_exits_1_with_the_nearest(tmp_path: Path, target_h: float, c: float) -> None:
    done, made = planned(csv(tmp_path, *GOOD), target_h=target_h, c=c)
    assert done.exit_code == 1
    assert made["met"] is False
    assert made["starter_g"] >= 1
    assert made["because"]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("2026-03-05T06:00:00Z,-25,100,100,21,10,12,2.3", "starter_g -25"),
        ("2026-03-05T06:00:00Z,0,100,100,21,10,12,2.3", "starter_g 0"),
        ("2026-03-05T06:00:00Z,25,100,100,21,12,10,2.3", "before hours_to_peak"),
        ("2026-03-05T06:00:00Z,25,100,100,180,10,12,2.3", "mean_temperature_c 180"),
        ("2026-03-05T06:00:00Z,25,100,100,21,10,9000,2.3", "hours_to_fall 9000"),
        ("2026-03-05T06:00:00Z,25,100,100,21,nan,12,2.3", "hours_to_peak nan"),
        ("2026-03-05T06:00:00Z,25,100,100,warm,10,12,2.3", "is not a number"),
        ("2026-03-05T06:00:00Z,25,1000000,100,21,10,12,2.3", "flour_g 1e+06"),
        ("2026-03-05T06:00:00Z,25,100,1,21,10,12,2.3", "not a dough"),
        ("2026-03-05T06:00:00Z,1,9000,9000,21,10,12,2.3", "not a feeding"),
        ("yesterday,25,100,100,21,10,12,2.3", "not a time"),
        ("2026-03-04T06:00:00Z,25,100,100,21,10,12,2.3", "already a feeding"),
        ("2026-03-05T06:00:00Z,25,100,100,21,9,5,11,7,2,3", "decimal comma"),
        ("\x07garbage", "not a time"),
        ('"' + "x" * 300_000, "not a time"),
    ],
)
def test_a_row_of_nonsense_is_skipped_with_one_line_and_changes_nothing(tmp_path: Path, row: str, words: str) -> None:
    clean, without = planned(csv(tmp_path, *GOOD))
    done, made = planned(csv(tmp_path, *GOOD, row))
    assert done.exit_code == clean.exit_code
    assert made == without
    (line,) = done.stderr.splitlines()
    assert "line 5" in line
    assert words in line


def test_empty_cells_columns_in_any_order_comments_and_more_columns_are_fine(tmp_path: Path) -> None:
    path = csv(
        tmp_path,
        "# a remark",
        "11.5,2026-03-02T06:00:00Z,25,100,100,,white,13.0",
        "",
        "11.0,2026-03-03T06:00:00Z,,,,20,white,",
        header="hours_to_peak,fed_at,starter_g,flour_g,water_g,mean_temperature_c,flour,hours_to_fall",
    )
    done, made = planned(path, target_h=14)
    assert (done.exit_code, done.stderr) == (0, "")
    assert made["flour_g"] == 100
    cycles, _ = history.read(path)
    assert [cycle.feeding.starter_g for cycle in cycles] == [25.0, None]


def test_the_ratio_of_a_plan_for_little_flour_has_figures(tmp_path: Path) -> None:
    path = csv(tmp_path, "2026-03-02T06:00:00Z,25,100,100,22,9,11,2.2")
    _, made = planned(path, "--keep-g", 500, "--flour-g", 10, target_h=14)
    assert (made["starter_g"], made["flour_g"]) == (500, 10)
    assert made["ratio"] == "1:0.02:0.02"


def test_rows_are_learnt_in_order_of_time(tmp_path: Path) -> None:
    assert planned(csv(tmp_path, *reversed(GOOD)))[1] == planned(csv(tmp_path, *GOOD))[1]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--target-hours", 0), "--target-hours: 0; it must be"),
        (("--target-hours", -5), "--target-hours: -5; it must be"),
        (("--target-hours", "nan"), "--target-hours: nan; it must be"),
        (("--temperature-c", 70), "--temperature-c: 70; it must be from -10 to 60"),
        (("--keep-g", -25), "--keep-g: -25; it must be above zero"),
        (("--keep-g", 0), "--keep-g: 0; it must be above zero"),
        (("--keep-g", 0.2), "--keep-g: 0.2; plans are in whole grams"),
        (("--standing-g", -1), "--standing-g: -1; it must be"),
        (("--hydration-pct", 0), "--hydration-pct: 0; it must be from 30 to 300"),
        (("--least-keep-g", 20, "--most-keep-g", 10), "--most-keep-g: 10; it must be at least --least-keep-g, 20"),
        (("--jar", "rye"), "--history"),
        (("--at", "2001-01-01 08:00"), "--at"),
        (("--target-hours", "soon"), "target-hours"),
    ],
)
def test_a_wrong_call_is_one_line_and_exit_2(tmp_path: Path, words: tuple[object, ...], says: str) -> None:
    done = jartide("plan", "--history", csv(tmp_path, *GOOD), "--temperature-c", 21, *words)
    assert done.exit_code == 2
    assert says in done.stderr.splitlines()[-1]
    assert done.stdout == ""


@pytest.mark.parametrize("content", [None, "", "a,b\n1,2\n", "\0\0", "fed_at;hours_to_peak\n"])
def test_a_file_that_is_no_history_is_one_line_and_exit_2(tmp_path: Path, content: str | None) -> None:
    path = tmp_path / "cycles.csv"
    if content is not None:
        path.write_text(content)
    for command in (("plan", "--temperature-c", 21), ("assess",)):
        done = jartide(*command, "--history", path)
        assert done.exit_code == 2
        assert len(done.stderr.splitlines()) == 1
        assert str(path) in done.stderr


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(alphabet="0123456789.,-:TZe# nax\"'", max_size=60), max_size=6))
def test_no_history_however_garbled_gives_a_traceback(
    tmp_path_factory: pytest.TempPathFactory, rows: list[str]
) -> None:
    path = csv(tmp_path_factory.mktemp("x"), *rows)
    done = jartide("plan", "--history", path, "--temperature-c", 21, "--format", "json")
    assert done.exit_code in (0, 1)
    assert json.loads(done.stdout)["starter_g"] >= 1


def test_text_for_people_and_a_wanted_moment(tmp_path: Path) -> None:
    path = csv(tmp_path, *GOOD)
    done = jartide("plan", "--history", path, "--target-hours", 14, "--temperature-c", 21, "--standing-g", 225)
    assert done.exit_code == 0
    assert done.stdout.startswith("keep ")
    assert "discard" in done.stdout
    assert "half sunk after about" in done.stdout
    done = jartide("plan", "--history", path, "--at", "2099-01-01 08:00", "--temperature-c", 21)
    assert done.exit_code == 1


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    cycles, _ = history.read(csv(tmp_path, *GOOD))
    out = io.StringIO()
    history.write(out, cycles)
    again = tmp_path / "again.csv"
    again.write_text(out.getvalue())
    assert history.read(again)[0] == cycles


# --- with a store -----------------------------------------------------------------------------------------------------


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """Two invented jars with six cycles each; rye goes faster."""
    path = tmp_path / "jartide.toml"
    path.write_text(
        f'[store]\npath = "{tmp_path}/jartide.db"\n\n[[jar]]\nname = "rye"\nempty_mm = 180.0\nflour = "rye"\n'
        'cycle_h = 13.0\n\n[[jar]]\nname = "white"\nempty_mm = 180.0\nflour = "white"\n'
    )
    with Store.open(tmp_path / "jartide.db") as store:
        for name, peak_h in (("rye", 7.0), ("white", 9.5)):
            store.ensure_run(JarSettings(name=name, empty_mm=180.0), T)
            for i in range(6):
                fed_s = T + 86400.0 * i
                peak_s = fed_s + 3600.0 * (peak_h + 0.2 * (i % 3))
                store.put_cycle(
                    Cycle(
                        jar=name, number=i, fed_at_s=fed_s, told=True, feeding=of_grams((25, 100, 100), name),
                        peak_at_s=peak_s, peak_ratio=2.3 + 0.05 * (i % 2), fall_at_s=peak_s + 5400,
                        ended_at_s=fed_s + 50_000, temperatures_c=(22.0,) * 12, above_double_h=3.0 + 0.1 * i,
                    )
                )  # fmt: skip
        store.tell(Noted(time_s=T + 5e5, jar="rye", what=Noting.DISCARD, text="used 120"), T + 5e5)
    return path


def test_plan_for_a_jar_uses_its_cycles_its_warmth_and_its_wanted_cycle(config: Path) -> None:
    done = jartide("plan", "--jar", "rye", "--config", config, "--format", "json")
    assert done.exit_code == 0
    made = json.loads(done.stdout)
    assert made["hours_to_fall"]["likely"] == pytest.approx(13.0, rel=0.05)
    assert "6 cycles" in made["because"]
    assert "22 °C" in made["because"]
    done = jartide("plan", "--jar", "oat", "--config", config)
    assert done.exit_code == 2
    assert "oat" in done.stderr


def test_assess_a_jar(config: Path) -> None:
    done = jartide("assess", "white", "--config", config)
    assert done.exit_code == 0
    assert done.stdout.startswith("Fit to bake with: yes.")
    assert "throw it away" in done.stdout
    assert "do not taste" in done.stdout
    rye = json.loads(jartide("assess", "rye", "--config", config, "--format", "json").stdout)
    assert rye["verdict"] == "yes"
    assert rye["discarded_g"] == {"used": 120.0}
    assert jartide("assess", "--config", config).exit_code == 2


def test_a_trial_is_begun_kept_and_judged(config: Path) -> None:
    assert jartide("trial", "flours", "--config", config).exit_code == 2
    begun = jartide("trial", "flours", "rye", "white", "--since", "2026-03-01T00:00:00Z", "--config", config)
    assert begun.exit_code == 0
    assert "rye is sooner at its peak than white" in begun.stdout
    made = json.loads(jartide("trial", "flours", "--config", config, "--format", "json").stdout)
    assert made["jars"]["rye"]["equivalent_h_to_peak"]["cycles"] == 6
    assert any(one["differs"] for one in made["comparisons"])
    late = jartide("trial", "later", "rye", "white", "--config", config)
    assert late.exit_code == 1
    assert "Too early" in late.stdout
    assert jartide("trial", "alone", "rye", "--config", config).exit_code == 2


def test_a_trial_begun_again_goes_on_and_a_name_stands_for_one_trial(config: Path) -> None:
    assert jartide("trial", "--config", config).stdout.startswith("No trial yet")
    begun = jartide("trial", "flours", "rye", "white", "--since", "2026-03-01T00:00:00Z", "--config", config)
    again = jartide("trial", "flours", "white", "rye", "--config", config)
    assert again.stdout in begun.stdout  # its cycles still count
    other = jartide("trial", "flours", "rye", "white", "rye", "--config", config)
    assert other.stdout == again.stdout
    assert jartide("trial", "--config", config).stdout.startswith("flours: rye, white, counted since ")
    settings = config.read_text() + '\n[[jar]]\nname = "oat"\n'
    config.write_text(settings)
    taken = jartide("trial", "flours", "rye", "oat", "--config", config)
    assert taken.exit_code == 2
    assert taken.stderr == "trial: flours is a trial of rye, white already; choose another name, or --change it\n"


def test_a_trial_is_changed_ended_and_forgotten(config: Path) -> None:
    begun = jartide("trial", "flours", "rye", "white", "--since", "2026-03-01T00:00:00Z", "--config", config)
    assert "seed from one jar" in begun.stdout  # what is fair, at the start
    config.write_text(config.read_text() + '\n[[jar]]\nname = "oat"\n')
    changed = jartide("trial", "flours", "rye", "oat", "--change", "--config", config)
    assert "Too early: oat has fewer" in changed.stdout
    assert "It has ended." in jartide("trial", "flours", "--end", "--config", config).stdout
    assert jartide("trial", "flours", "--delete", "--config", config).exit_code == 0
    assert jartide("trial", "--config", config).stdout.startswith("No trial yet")
    assert jartide("trial", "flours", "--end", "--config", config).exit_code == 2
