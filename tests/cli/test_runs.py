"""`jartide runs`, `export`, `import` and `backup`, called as a person calls them."""

from __future__ import annotations

import json
import os
import random
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from monitor.runs import run_file, transfer
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import Cycle, Delivery, EventKind, Fed, Reading, Tapered, of_grams
from tests.terminal import jartide

pytestmark = pytest.mark.dates

T = 1_772_431_200.0  # 2026-03-02T06:00:00Z
RYE = JarSettings(
    name="rye", empty_mm=180.0, geometry=Tapered(bottom_diameter_mm=70, top_diameter_mm=90, height_mm=140)
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "jartide.db"


def fill(store: Store, count: int = 600) -> list[Reading]:
    """An invented jar: two cycles of five hours, a reading a minute."""
    store.ensure_run(RYE, T)
    chance = random.Random(1)
    readings = [
        Reading(
            time_s=T + 60 * n,
            jar="rye",
            distance_mm=round(100 + chance.gauss(0, 1), 2),
            temperature_c=None if n % 7 else 24.5,
        )
        for n in range(count)
    ]
    store.add([Delivery(source="x", received_s=r.time_s + 0.25, reading=r, timed=True) for r in readings])
    store.tell(Fed(time_s=T, jar="rye", feeding=of_grams((25, 100, 100), "=rye")), T + 36_000)
    store.put_cycle(
        Cycle(jar="rye", number=1, fed_at_s=T, feeding=of_grams((25, 100, 100)), peak_at_s=T + 9000,
              peak_ratio=2.345, fall_at_s=T + 14_400, ended_at_s=T + 18_000)
    )  # fmt: skip
    store.put_cycle(Cycle(jar="rye", number=2, fed_at_s=T + 18_000))
    return readings


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store.open(path) as store:
        yield store


def test_runs_lists_runs_and_cycles(store: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    fill(store)
    config = tmp_path / "jartide.toml"
    config.write_text('[[jar]]\nname = "rye"\n[store]\npath = "jartide.db"\n[display]\ntime_zone = "Europe/Oslo"\n')
    result = jartide("runs", "--config", config)
    assert result.exit_code == 0, result.output
    head, first, one, two, about = result.stdout.splitlines()
    assert first == "1      rye, 2026-03-02 07:00 to now, 600 readings (first start)"
    assert head.split() == ["fed", "grams", "rise", "peak", "after", "fall", "after"]
    assert one == "  1:1    2026-03-02 07:00  25+100+100 g     ~2.35 times  ~2.5 h      ~4.0 h"
    assert two == "  1:2    2026-03-02 12:00"
    assert about.startswith("~: as decided at the time")
    (line,) = jartide("runs", "--json", "--store", store.path).stdout.splitlines()
    listed = json.loads(line)
    assert (listed["run"], listed["jar"], listed["ended_at"], listed["readings"]) == (1, "rye", None, 600)
    assert listed["cycles"][0]["peak_at"] == "2026-03-02T08:30:00Z"


def test_a_run_is_listed_from_its_first_reading_on(store: Store) -> None:
    store.ensure_run(RYE, T - 86_400)  # the daemon was started a day before the sensor
    fill(store, 10)
    assert (
        jartide("runs", "--store", store.path)
        .stdout.splitlines()[1]
        .startswith(f"1      rye, {datetime.fromtimestamp(T):%Y-%m-%d %H:%M} to now")
    )
    (line,) = jartide("runs", "--json", "--store", store.path).stdout.splitlines()
    assert json.loads(line)["began_at"] == "2026-03-01T06:00:00Z"
    assert json.loads(line)["first_reading_at"] == "2026-03-02T06:00:00Z"


def test_no_runs_yet(store: Store) -> None:
    assert jartide("runs", "--store", store.path).stdout == "No runs yet.\n"


def test_what_is_exported_is_imported_and_exported_identically(store: Store, tmp_path: Path) -> None:
    readings = fill(store)
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    result = jartide("export", 1, "--store", store.path, "-o", first)
    assert (result.exit_code, result.stdout, result.stderr) == (0, "", "600 readings\n")
    run = run_file.read(first)
    assert run.readings() == readings
    assert [received_s for received_s, _ in run.rows()][:2] == [T + 0.25, T + 60.25]
    assert (run.jar, run.empty_mm, run.geometry) == ("rye", 180.0, RYE.geometry)
    other = tmp_path / "other.db"
    result = jartide("import", first, "--store", other)
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout == f"{first}: run 1, jar rye, 600 readings\n"
    assert jartide("export", 1, "--store", other, "-o", second).exit_code == 0
    assert second.read_bytes() == first.read_bytes()


@pytest.mark.parametrize(
    "text",
    [
        "# jar: wheat\ntime,distance_mm,temperature_c\n2026-03-02T06:00:00Z,92.4,\n",
        "# jar: wheat\n# shows: late, '=1\ntime,distance_mm,temperature_c,echo_us,air_c,humidity_pct,received\n"
        "2026-03-02T06:00:00Z,,,812.5,3.5,,2026-03-02T06:00:01.5Z\n" + "2026-03-02T05:00:00.25Z,92.4,-1,,,80,\n" * 2,
    ],
)
def test_what_is_imported_is_exported_identically(tmp_path: Path, path: Path, text: str) -> None:
    file = tmp_path / "given.csv"
    file.write_text(text)
    assert jartide("import", file, "--store", path).exit_code == 0
    assert jartide("export", 1, "--store", path).stdout == text


def test_a_cycle_and_the_feedings_are_exported(store: Store, tmp_path: Path) -> None:
    readings = fill(store)
    file, feedings = tmp_path / "one.csv", tmp_path / "feedings.csv"
    assert jartide("export", "1:1", "--store", store.path, "-o", file, "--feedings", feedings).exit_code == 0
    run = run_file.read(file)
    assert run.readings() == readings[:300]
    assert (run.header["cycle"], run.header["fed_at"]) == ("1", "2026-03-02T06:00:00Z")
    expected = Fed(time_s=T, jar="rye", feeding=of_grams((25, 100, 100), "=rye"))
    assert run_file.read_feedings(feedings, "rye") == ([expected], [])
    assert "'=rye" in feedings.read_text()
    result = jartide("export", "1:2", "--store", store.path)
    assert len(result.stdout.splitlines()) == 300 + 7


def test_an_imported_run_stands_apart_from_the_live_one(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "rye.csv"
    file.write_text("time,distance_mm\n2020-01-01T00:00:00Z,50\n")
    fill(store, 10)
    before = list(store.arrivals(None, 0))
    assert jartide("import", file, "--store", store.path).exit_code == 0
    assert list(store.arrivals(None, 0)) == before
    assert store.open_run("rye") == store.runs()[0]
    assert [run.imported for run in store.runs()] == [False, True]
    assert store.runs()[1].ended_s == 1_577_836_800
    assert store.add([Delivery(source="x", received_s=T + 1e6, reading=before[0].item, timed=True)]) == [None]  # type: ignore[arg-type]
    assert store.last_seq() == before[-1].seq


def test_the_same_file_twice_and_an_interrupted_import(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "long.csv"
    file.write_text("time,distance_mm\n" + "2020-01-01T00:00:00Z,50\n" * 12_000)

    class PowerCutError(Exception):
        pass

    def cut(rows: int) -> None:
        if sum(count for (count,) in store.query("SELECT count(*) FROM item")) >= 10_000:
            raise PowerCutError

    with pytest.raises(PowerCutError):
        transfer.import_file(store, file, T, seen=cut)
    assert store.runs()[-1].reason.words == "import not finished"
    assert jartide("import", file, "--store", store.path).exit_code == 0
    (run,) = store.runs()
    assert store.query("SELECT count(*) FROM item") == [(12_000,)]
    result = jartide("import", file, "--store", store.path)
    assert result.exit_code == 1
    assert result.stderr == f"{file}: this file has already been imported, as run {run.id}\n"


def test_an_imported_run_is_judged_as_the_daemon_would_have(tmp_path: Path, store: Store) -> None:
    scene = Path(__file__).parents[2] / "simulated_runs" / "good_night.toml"
    run_csv, fed_csv = tmp_path / "night.csv", tmp_path / "fed.csv"
    assert jartide("simulate", scene, "-o", run_csv, "--feedings", fed_csv).exit_code == 0
    assert jartide("import", run_csv, "--feedings", fed_csv, "--store", store.path).exit_code == 0
    replayed = jartide("replay", run_csv, "--feedings", fed_csv, "--format", "jsonl").stdout.splitlines()
    kept = [event for event in store.events(1) if event.kind is not EventKind.FORECAST]
    assert [event.kind.value for event in kept] == [json.loads(line)["kind"] for line in replayed]
    assert "fall_began" in {event.kind.value for event in kept}
    assert store.events_after(0, 100) == []  # the past is no news to a mirror
    assert any(cycle.told and cycle.fall_at_s for cycle in store.cycles(1))
    assert "  1:1 " in jartide("runs", "--store", store.path).stdout
    again, fed_again = tmp_path / "again.csv", tmp_path / "fed_again.csv"
    assert jartide("export", 1, "--store", store.path, "-o", again, "--feedings", fed_again).exit_code == 0
    assert again.read_bytes() == run_csv.read_bytes()
    assert fed_again.read_bytes() == fed_csv.read_bytes()
    assert jartide("import", run_csv, again, "--feedings", fed_csv, "--store", store.path).exit_code == 2


def test_feedings_that_are_given_beside_their_run_are_taken_with_it(tmp_path: Path, path: Path) -> None:
    scene = Path(__file__).parents[2] / "simulated_runs" / "good_night.toml"
    night, fed, other = (tmp_path / name for name in ("night.csv", "night.feedings.csv", "another.csv"))
    assert jartide("simulate", scene, "-o", night, "--feedings", fed).exit_code == 0
    other.write_text("# jar: rye\ntime,distance_mm,temperature_c\n2026-03-02T06:00:00Z,50,21\n")
    assert jartide("import", *sorted((night, fed, other)), "--store", path).exit_code == 0
    with Store.join(path) as store:
        runs = {run.jar: run for run in store.runs()}
        assert [len(store.fed_in(runs[jar])) for jar in ("midnight", "rye")] == [1, 0]
    alone = jartide("import", fed, "--store", path)
    assert (alone.exit_code, alone.stderr) == (2, f"FILE: {fed} holds feedings; give the run file night.csv too\n")


def test_bad_rows_are_named_and_the_good_ones_taken(tmp_path: Path, path: Path) -> None:
    file = tmp_path / "rye.csv"
    file.write_text("time,distance_mm,temperature_c\n2026-03-02T06:00:00Z,50,x\n" + "rubbish\n" * 9)
    result = jartide("import", file, "--store", path)
    assert result.exit_code == 0
    lines = result.stderr.splitlines()
    assert lines[0] == f"{file}, line 3: left out, time: not a time like 2026-03-02T06:00:00Z: rubbish"
    assert lines[5:] == [f"{file}: 9 rows left out in all", f"{file}: 1 garbled cells treated as missing"]


def test_what_cannot_be_done_is_one_line_and_no_traceback(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(store, 10)
    bad, empty, big = (tmp_path / name for name in ("bad.csv", "empty.csv", "big.csv"))
    bad.write_bytes(os.urandom(1000))
    empty.write_text("time,distance_mm\n")
    big.write_text("time,distance_mm\n" + "2020-01-01T00:00:00Z,50\n" * 50_000)
    monkeypatch.setattr(transfer, "LARGEST_FILE_BYTES", 1 << 20)
    db = store.path
    (tmp_path / "house.toml").write_text('[[jar]]\nname = "rye"\n[store]\npath = "none.db"\n')
    for words, says in [
        (("export", 7, "--store", db), "there is no run 7"),
        (("export", "1:9", "--store", db), "run 1 has no cycle 9"),
        (("export", "one", "--store", db), "neither a run like 3"),
        (("export", "1:", "--store", db), "neither a run like 3"),
        (("export", "9" * 40, "--store", db), "neither a run like 3"),
        (("export", 1, "--store", db, "-o", tmp_path / "no" / "x.csv"), "cannot be written"),
        (("runs", "--store", tmp_path / "no.db"), "there is no store yet"),
        (("runs", "--config", tmp_path / "no.toml"), "there is no such file"),
        (("runs", "--store", bad), "a file of another kind"),
        (("import", tmp_path / "no.csv", "--store", db), "No such file"),
        (("import", bad, "--store", db), "bad.csv"),
        (("import", empty, "--store", db), "no row of it is a reading"),
        (("import", big, "--store", db), "larger than 1 MB; split it"),
        (("export", 1, "--store", db, "-o", empty), "exists already"),
        (("export", 1, "--store", db, "-o", tmp_path / "new.csv", "--feedings", empty), "exists already"),
        (("trial", "t", "--config", tmp_path / "house.toml"), "`jartide watch` or `jartide import` creates one"),
        (("backup", bad, "--store", db), "exists already"),
        (("backup", db, "--store", db), "exists already"),
    ]:
        result = jartide(*words)
        assert result.exit_code == 2, (words, result.output)
        assert says in result.stderr
        assert len(result.stderr.splitlines()) == 1
        assert result.stdout == ""
    assert len(store.runs()) == 1
    assert not list(tmp_path.glob("*.part"))


def test_where_nothing_can_be_written_it_says_why_in_words(store: Store, tmp_path: Path) -> None:
    fill(store)
    folder = tmp_path / "rec"
    (tmp_path / "night.csv").write_text("time,distance_mm\n")
    for words in (
        ("backup", "/proc/x", "--store", store.path),
        ("picture", 1, "--store", store.path, "-o", tmp_path / "none" / "x.png"),
        ("recover", tmp_path / "night.csv", "-o", folder),
    ):
        result = jartide(*words)
        assert result.exit_code in (1, 2)
        assert "Errno" not in result.stderr
        assert len(result.stderr.splitlines()) == 1, result.stderr
    assert not folder.exists()


def test_a_backup_opens(store: Store, tmp_path: Path) -> None:
    readings = fill(store, 100)
    target = tmp_path / "copy.db"
    result = jartide("backup", target, "--store", store.path)
    assert result.exit_code == 0
    assert result.stdout == f"{target}: {target.stat().st_size} bytes\n"
    with Store.open(target) as copy:
        assert [a.item for a in copy.arrivals(None, 0)][:100] == readings


@pytest.mark.fault("W7")
def test_a_spreadsheet_runs_nothing_of_an_export(tmp_path: Path, path: Path) -> None:
    file = tmp_path / "evil.csv"
    file.write_text("# jar: =1+1\n# shows: x,=HYPERLINK(1)\ntime,distance_mm\n2020-01-01T00:00:00Z,-5\n")
    assert jartide("import", file, "--store", path).exit_code == 0
    lines = jartide("export", 1, "--store", path).stdout.splitlines()
    assert "# shows: x,'=HYPERLINK(1)" in lines
    assert not any(line.startswith(("=", "+", "-", "@")) for line in lines)


def test_an_ultrasonic_jars_run_is_exported_with_its_sensor_and_lid(store: Store, tmp_path: Path) -> None:
    fill(store, 20)
    config = tmp_path / "jartide.toml"
    jar = '[[jar]]\nname = "rye"\nempty_mm = 182.0\nsensor = "ultrasonic"\nventing = "tight"\n'
    config.write_text(f'{jar}\n[store]\npath = "{store.path}"\n')
    said = jartide("export", 1, "--config", config).stdout.splitlines()
    assert "# sensor: ultrasonic" in said
    assert "# venting: tight" in said
    assert "# sensor: ultrasonic" not in jartide("export", 1, "--store", store.path).stdout.splitlines()


def test_the_latest_runs_are_shown_and_the_rest_is_said(path: Path) -> None:
    with Store.open(path) as store:
        for n in range(12):
            store.begin_run(RYE, "asked for", T + 100 * n)
        for number in range(1, 8):
            store.put_cycle(Cycle(jar="rye", number=number, fed_at_s=T + 2000.0 * number))
    shown = jartide("runs", "--store", path).stdout
    assert [line.split()[0] for line in shown.splitlines() if not line.startswith(" ")][:-1] == [
        str(n) for n in range(5, 13)
    ]
    assert shown.splitlines()[-2].startswith("  12:7 ")
    assert shown.endswith("4 earlier runs and 2 earlier cycles not shown; to see all: jartide runs --all\n")
    whole = jartide("runs", "--store", path, "--all", "rye").stdout
    assert "  12:1 " in whole
    assert "not shown" not in whole
    assert len(jartide("runs", "--store", path, "--json").stdout.splitlines()) == 12
    wrong = jartide("runs", "--store", path, "rie")
    assert wrong.exit_code == 2
    assert wrong.stderr == "JAR: there is no run of rie. Did you mean rye?\n"
