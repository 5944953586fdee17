"""The run file: what is written is read back identically, a bad row costs itself and nothing else, a file that is no
run file is one clear sentence."""

from __future__ import annotations

import csv
import io
import math
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.runs import cells, rfc3339, run_file
from monitor.runs.items import LEAST_G
from monitor.runs.run_file import RunFile, RunFileError
from monitor.values import Fed, Feeding, Reading, Straight, Tapered

HEADER = "time,distance_mm,temperature_c\n"


def file_of(tmp_path: Path, text: str | bytes, name: str = "rye.csv") -> Path:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def read(tmp_path: Path, text: str | bytes) -> tuple[RunFile, list[Reading]]:
    run = run_file.read(file_of(tmp_path, text))
    return run, run.readings()


# --- time -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "utc"),
    [  # RFC 3339, section 5.8; leap seconds are the second after them, as POSIX counts
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520000+00:00"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57+00:00"),
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00+00:00"),
        ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00+00:00"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870000+00:00"),
        # section 5.6, notes: lower case, and a space for the T; section 4.3: an offset of -00:00
        ("1985-04-12t23:20:50.52z", "1985-04-12T23:20:50.520000+00:00"),
        ("1985-04-12 23:20:50Z", "1985-04-12T23:20:50+00:00"),
        ("1985-04-12T23:20:50-00:00", "1985-04-12T23:20:50+00:00"),
    ],
)
def test_rfc_3339_examples(text: str, utc: str) -> None:
    assert rfc3339.parse(text) == datetime.fromisoformat(utc).timestamp()


@pytest.mark.parametrize(
    "text",
    ["", "2026-03-02", "2026-03-02T06:00:00", "2026-03-02T06:00Z", "2026-02-30T06:00:00Z", "2026-03-02T24:00:00Z",
     "2026-03-02T06:60:00Z", "2026-03-02T06:00:61Z", "20260302T060000Z", "1772431200", "2026-03-02T06:00:00.Z",
     "2026-03-02T06:00:00+24:00", "0001-01-01T00:00:00+01:00", "٢٠٢٦-03-02T06:00:00Z", "2026-03-02T06:00:00Z\n"],
)  # fmt: skip
def test_what_is_no_rfc_3339_time(text: str) -> None:
    with pytest.raises(ValueError, match=r"not a time|no such date"):
        rfc3339.parse(text)


@given(st.datetimes(datetime(1, 1, 2), datetime(9999, 12, 30), timezones=st.just(UTC)))
def test_times_come_back(moment: datetime) -> None:
    text = rfc3339.text(moment.timestamp())
    assert rfc3339.text(rfc3339.parse(text)) == text
    # datetime is the outside source; a float holds a microsecond up to the year 2242
    assert abs(rfc3339.parse(text) - moment.timestamp()) < 5e-5


@pytest.mark.parametrize("time_s", [math.nan, math.inf, -math.inf, 1e300, -62_135_596_801.0, 253_402_300_800.0])
def test_times_that_have_no_text(time_s: float) -> None:
    with pytest.raises(ValueError, match="outside"):
        rfc3339.text(time_s)


# --- rows -----------------------------------------------------------------------------------------------------------


def test_the_form_of_the_contract(tmp_path: Path) -> None:
    text = "# shows: a clean night (invented)\n# empty_mm: 180\n# geometry: tapered 70 90 140\n" + HEADER
    run, readings = read(tmp_path, text + "2026-03-02T06:00:00Z,92.4,24.1\n2026-03-02T06:01:00Z,92.5,\n")
    assert run.jar == "rye"
    assert run.header["shows"] == "a clean night (invented)"
    assert run.empty_mm == 180
    assert run.geometry == Tapered(bottom_diameter_mm=70, top_diameter_mm=90, height_mm=140)
    assert readings == [
        Reading(time_s=1_772_431_200, jar="rye", distance_mm=92.4, temperature_c=24.1),
        Reading(time_s=1_772_431_260, jar="rye", distance_mm=92.5),
    ]
    assert run.rejected_count == 0


GOOD = "2026-03-02T06:00:00Z,92.4,24.1"
AS_READ = Reading(time_s=1_772_431_200, jar="rye", distance_mm=92.4, temperature_c=24.1)


@pytest.mark.parametrize(
    "text",
    [
        b"\xef\xbb\xbf" + (HEADER + GOOD + "\n").encode(),  # byte order mark
        HEADER.replace("\n", "\r\n") + GOOD + "\r\n",
        HEADER + GOOD,  # no newline at the end
        HEADER + "\n" + GOOD + "\n\n# a remark\n\n",
        "temperature_c,note,time,distance_mm\n24.1,hello,2026-03-02T06:00:00Z,92.4\n",
        " time , distance_mm , temperature_c \n 2026-03-02T06:00:00Z , 92.4 , 24.1 \n",
        '"time","distance_mm","temperature_c"\n"2026-03-02T06:00:00Z","92.4","24.1"\n',  # RFC 4180, section 2, rule 5
        'time,note,distance_mm,temperature_c\n2026-03-02T06:00:00Z,"a ""b"", c",92.4,24.1\n',  # rules 6 and 7
        HEADER + GOOD + ",,\n",  # what a spreadsheet adds
        HEADER.strip() + ",air_c\n" + GOOD + "\n",  # trailing cell absent
        "# jar: rye\n" + HEADER.strip() + ",received\n" + GOOD + ",2026-03-02T06:00:01Z\n",
        HEADER.strip() + ",temperature_c\n" + GOOD + ",99\n",  # the first of two equal names
        HEADER.strip() + ",air_c\n" + GOOD + ",nan\n",
    ],
)
def test_the_same_row_in_other_clothes(tmp_path: Path, text: str | bytes) -> None:
    run, readings = read(tmp_path, text)
    assert readings == [AS_READ]
    assert run.rejected_count == 0


@pytest.mark.fault("F3")
@pytest.mark.parametrize(
    "row",
    ["yesterday,92.4,24.1", ",92.4,24.1", "2026-13-02T06:00:00Z,92.4,24.1", "2026-03-02T06:00:00,92.4,24.1",
     "2026-03-02T06:00:00Z,abc,24.1", "2026-03-02T06:00:00Z,nan,24.1", "2026-03-02T06:00:00Z,inf,24.1",
     "2026-03-02T06:00:00Z,1e308,24.1", "2026-03-02T06:00:00Z,1_0,24.1", "2026-03-02T06:00:00Z,92,4,24,1",
     '2026-03-02T06:00:00Z,"92,4",24.1', '"2026-03-02T06:00:00Z,92.4,24.1', "time,distance_mm,temperature_c",
     "\x00\x01\x02\xff", "x" * 200_000, "true,null,{}", '"' * 7],
)  # fmt: skip
def test_a_bad_row_costs_itself_and_nothing_else(tmp_path: Path, row: str) -> None:
    run, readings = read(tmp_path, f"# a: b\n{HEADER}{GOOD}\n{row}\n{GOOD}\n".encode("latin-1"))
    assert readings == [AS_READ, AS_READ]
    (rejected,) = run.rejected
    assert rejected.line == 4
    assert rejected.reason
    assert len(rejected.detail) <= 80


def test_a_garbled_optional_cell_is_a_missing_value(tmp_path: Path) -> None:
    run, readings = read(tmp_path, HEADER + "2026-03-02T06:00:00Z,92.4,--\n2026-03-02T06:00:00Z,,24.1\n")
    assert [(r.distance_mm, r.temperature_c) for r in readings] == [(92.4, None), (None, 24.1)]
    assert (run.spoilt_cells, run.rejected_count) == (1, 0)


def test_late_doubled_and_strange_values_pass_in_file_order(tmp_path: Path) -> None:
    rows = ["2026-03-02T06:01:00Z,8190,85.0", "2026-03-02T06:00:00Z,-3,-127", "2026-03-02T06:00:00Z,-3,-127"]
    _, readings = read(tmp_path, HEADER + "\n".join(rows))
    assert [r.distance_mm for r in readings] == [8190, -3, -3]


def test_rejected_rows_are_counted_and_only_the_first_are_kept(tmp_path: Path) -> None:
    run, readings = read(tmp_path, HEADER + "rubbish\n" * 5000)
    assert readings == []
    assert run.rejected_count == 5000
    assert len(run.rejected) == run_file.KEPT_REJECTED


@pytest.mark.fault("F3")
@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "no header row"),
        (b"# only: comments\n\n", "no header row"),
        (b"time,temperature_c\n", "no column distance_mm"),
        (b"a,b\n1,2\n", "no column time and no column distance_mm"),
        (b"time;distance_mm\n2026-03-02T06:00:00Z;92,4\n", "separated by commas"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "not a text file|no column"),
        ("time,distance_mm\n".encode("utf-16"), "UTF-8"),
        (b'{"jar": "rye"}\n', "no column"),
        (b"\xff" * 300_000, "no column"),
    ],
)
def test_what_is_no_run_file_is_one_sentence(tmp_path: Path, content: bytes, says: str) -> None:
    path = file_of(tmp_path, content)
    with pytest.raises(RunFileError, match=says) as error:
        run_file.read(path)
    assert str(path) in str(error.value)
    assert "\n" not in str(error.value)


def test_a_file_that_is_not_there_or_is_a_folder(tmp_path: Path) -> None:
    with pytest.raises(RunFileError, match="No such file"):
        run_file.read(tmp_path / "none.csv")
    with pytest.raises(RunFileError, match="directory"):
        run_file.read(tmp_path)


# --- there and back -------------------------------------------------------------------------------------------------

numbers = st.floats(-1e6, 1e6, allow_nan=False)
moments = st.floats(-6e10, 2.5e11).map(lambda s: rfc3339.parse(rfc3339.text(s)))  # to the microsecond
values = st.none() | numbers
texts = st.text(st.characters(codec="utf-8", exclude_categories=["Cc"]), max_size=30)


@st.composite
def rows(draw: st.DrawFn) -> tuple[float | None, Reading]:
    distance_mm, echo_us = draw(st.one_of(st.tuples(values, st.none()), st.tuples(st.none(), values)))
    reading = Reading(
        time_s=draw(moments),
        jar="rye",
        distance_mm=distance_mm,
        echo_us=echo_us,
        temperature_c=draw(values),
        air_c=draw(values),
        humidity_pct=draw(values),
    )
    return draw(st.none() | moments), reading


@settings(deadline=None, max_examples=60)
@given(recorded=st.lists(rows(), max_size=8), shows=texts)
def test_write_read_write_is_identical(tmp_path_factory: pytest.TempPathFactory, recorded: list, shows: str) -> None:
    shows = " ".join(shows.split())
    first = io.StringIO()
    columns = ("time", *run_file.MEASURED, "received")
    run_file.write(first, recorded, header={"jar": "rye", "shows": shows}, columns=columns)
    path = tmp_path_factory.mktemp("run") / "other.csv"
    path.write_text(first.getvalue(), newline="")
    run = run_file.read(path)
    again = list(run.rows())
    assert again == recorded
    assert run.header["shows"] == shows
    second = io.StringIO()
    run_file.write(second, again, header=run.header, columns=run.columns)
    assert second.getvalue() == first.getvalue()


flour_grams = st.none() | st.floats(LEAST_G, 1e6)
grams = st.just(0.0) | flour_grams
feedings = st.builds(
    Fed,
    time_s=moments,
    jar=st.just("rye"),
    feeding=st.builds(
        Feeding,
        starter_g=grams,
        flour_g=flour_grams,
        water_g=grams,
        flour=st.none() | texts.map(lambda text: " ".join(text.split())).filter(bool),
    ),
)


@settings(deadline=None, max_examples=60)
@given(fed=st.lists(feedings, max_size=5))
def test_feedings_come_back(tmp_path_factory: pytest.TempPathFactory, fed: list[Fed]) -> None:
    path = tmp_path_factory.mktemp("fed") / "feedings.csv"
    with path.open("w", newline="", encoding="utf-8") as out:
        run_file.write_feedings(out, fed)
    assert run_file.read_feedings(path, "rye") == (fed, [])


def test_bad_feedings_are_named_by_line(tmp_path: Path) -> None:
    text = "flour,fed_at,starter_g\nrye,2026-03-02T06:00:00Z,25\nrye,now,25\nrye,2026-03-02T06:00:00Z,-1\n"
    text += ",2026-03-03T06:00:00Z,\n"
    fed, rejected = run_file.read_feedings(file_of(tmp_path, text), "rye")
    assert fed == [
        Fed(time_s=1_772_431_200, jar="rye", feeding=Feeding(starter_g=25, flour="rye")),
        Fed(time_s=1_772_517_600, jar="rye"),
    ]
    assert [row.line for row in rejected] == [3, 4]
    with pytest.raises(RunFileError, match="no column fed_at"):
        run_file.read_feedings(file_of(tmp_path, "time,starter_g\n"), "rye")


@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        ("starter_g", "0.05", "starter_g: must be 0, or 0.1 or more"),
        ("water_g", "1e-9", "water_g: must be 0, or 0.1 or more"),
        ("flour_g", "0.09", "flour_g: must be 0.1 or more"),
        ("flour_g", "0", "flour_g: must be 0.1 or more"),
        ("flour_g", "-1", "flour_g: not an amount in grams"),
        ("starter_g", "0", None),
        ("flour_g", "0.1", None),
        ("flour_g", "", None),
    ],
)
def test_grams_are_held_to_what_may_be_told(tmp_path: Path, column: str, cell: str, says: str | None) -> None:
    path = file_of(tmp_path, f"fed_at,{column}\n2026-03-02T06:00:00Z,{cell}\n")
    fed, rejected = run_file.read_feedings(path, "rye")
    assert [row.reason for row in rejected] == ([] if says is None else [says])
    assert len(fed) == (1 if says is None else 0)


# --- a spreadsheet must not run it ----------------------------------------------------------------------------------

EVIL = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", '=HYPERLINK("http://x")', "'=1", "''=1", "rye, =1", 'rye,"=1', "a;=b"]


@pytest.mark.fault("W7")
@pytest.mark.parametrize("text", EVIL)
def test_no_cell_begins_like_a_formula(tmp_path: Path, text: str) -> None:
    """The characters that start a formula are those of OWASP's page on CSV injection."""
    out = io.StringIO()
    run_file.write(out, [], header={"jar": text, "shows": f"x,{text}"})
    run_file.write_feedings(out, [Fed(time_s=0, jar="rye", feeding=Feeding(flour=text))])
    for separator in ",;\t":
        for row in csv.reader(io.StringIO(out.getvalue()), delimiter=separator):
            for cell in row:
                assert not cell.lstrip(" ").startswith(("=", "+", "@", "\t")), (separator, row)
                assert not cell.lstrip(" ").startswith("-"), (separator, row)


@given(st.text(max_size=20))
def test_guarding_loses_nothing(text: str) -> None:
    assert cells.unguard(cells.guard(text)) == text
    assert cells.unguard_line(cells.guard_line(text)) == text
    assert not cells.guard(text).startswith(("=", "+", "-", "@", "\t"))


def test_geometry_that_cannot_be_read_is_none(tmp_path: Path) -> None:
    run, _ = read(tmp_path, "# geometry: a big one\n# empty_mm: about 180\n" + HEADER)
    assert run.geometry is None
    assert run.empty_mm is None
    run, _ = read(tmp_path, "# geometry: straight\n# empty_mm: 180 mm\n" + HEADER)
    assert run.geometry == Straight()
    assert run.empty_mm == 180


# --- speed ----------------------------------------------------------------------------------------------------------


def test_a_season_is_read_fast_enough_to_play_with(tmp_path: Path) -> None:
    recorded = [
        (None, Reading(time_s=1.77e9 + 10 * n, jar="rye", distance_mm=90.0, temperature_c=24.0)) for n in range(20_000)
    ]
    path = tmp_path / "rye.csv"
    with path.open("w") as out:
        run_file.write(out, recorded, header={})
    start_s = time.process_time()
    assert len(run_file.read(path).readings()) == 20_000
    used_s = time.process_time() - start_s
    assert used_s < 2.0  # measured 0.2 s; the limit only catches a change of kind, such as a quadratic step
