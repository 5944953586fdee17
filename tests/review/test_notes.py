"""What was noted is shown on the run: in the terminal, as JSON, in the report, in pictures and on the page, in the
cycle that it was made in and as the text that it is."""

from __future__ import annotations

import json
import re
import time
import warnings
from dataclasses import replace
from datetime import UTC
from itertools import combinations, pairwise
from pathlib import Path

import httpx
import pytest
from click.testing import Result
from hypothesis import given
from hypothesis import strategies as st
from playwright.sync_api import BrowserContext, expect

from monitor.cli.recorded import recorded, reviewed
from monitor.core.assess.notebook import NOTE_WORDS, by_cycle, during, says
from monitor.page.server import PageServer
from monitor.review import picture
from monitor.runs import reported
from monitor.runs.store import Store
from monitor.settings import PageSettings, Settings
from monitor.values import Noted, Noting, Reading
from tests.browsing import PHONE, WAIT_MS, Eyes, serious
from tests.page_house import grow, settings_of
from tests.servers import free_port, listens, wait_until
from tests.terminal import jartide

OPEN_H = 7.8  # since the last feeding; twelve hours before that was another
EVIL = "<img src=x onerror=alert(1)> $x$ \x1b[31mred\u202e"
TEXT = "<img src=x onerror=alert(1)> $x$ [31mred"
# hours after the last feeding, what, text, and how it is shown
NOTES = (
    (-8.0, Noting.HOOCH, "", "liquid on top"),
    (-6.0, Noting.SNOOZE, "3", None),
    (-3.0, Noting.SMELL, EVIL, f"smell: {TEXT}"),
    (-2.0, Noting.DISCARD, "used 120", "discard: used 120 g"),
    (-1.99, Noting.BAKED, "two loaves", "baked with it: two loaves"),
    (-1.0, Noting.REMARK, "a slip", None),
    (2.0, Noting.FLOAT_TEST, "it sank", "float test: it sank"),
    (3.0, Noting.DISCARD, "40 g kept", "discard: 40 g kept"),
    (7.0, Noting.REST, "", "into the fridge"),
)
EARLIER = [shown for hours, *_, shown in NOTES if shown and hours < 0]
LATER = [shown for hours, *_, shown in NOTES if shown and hours > 0]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    """A jar's day and a half with a notebook; its config is beside the store."""
    folder = tmp_path_factory.mktemp("home")
    settings, now_s = settings_of(folder, ["rye"]), time.time() - 30.0
    grow(settings, 1.5, now_s, open_h=OPEN_H)
    with Store.join(settings.store.path) as store:
        for hours, what, text, _ in NOTES:
            at_s = now_s - (OPEN_H - hours) * 3600.0
            store.tell(Noted(time_s=at_s, jar="rye", what=what, text=text), now_s)
            if text == "a slip":
                reported.take_back(store, "rye", now_s)
    (folder / "jartide.toml").write_text(
        f'store.path = "{settings.store.path}"\ndisplay = {{ temperature = "degF", time_zone = "Europe/Vienna" }}\n'
        '[[jar]]\nname = "rye"\nempty_mm = 180\nflour = "rye"\n'
    )
    return settings


def run(home: Settings, *words: str | Path) -> Result:
    config = home.store.path.with_name("jartide.toml")
    return jartide(*(*words, "--config", config))


def told_in(text: str) -> list[list[str]]:
    """The notes that `review` prints, cycle by cycle, without their times."""
    return [re.findall(r"^  noted \d{4}-\d\d-\d\d \d\d:\d\d, (.*)$", part, re.M) for part in text.split("\ncycle ")[1:]]


# --- which cycle, and in what words


@given(
    st.lists(st.tuples(st.floats(0, 1e6), st.sampled_from(list(Noting))), max_size=30),
    st.lists(st.floats(0, 1e6), min_size=1, max_size=8, unique=True).map(sorted),
)
def test_every_note_is_of_the_cycle_it_was_made_in(made: list[tuple[float, Noting]], begins_s: list[float]) -> None:
    notes = [Noted(time_s=at_s, jar="rye", what=what) for at_s, what in made]
    found = by_cycle(notes, begins_s)
    assert len(found) == len(begins_s)
    kept = [note for some in found for note in some]
    assert kept == sorted((n for n in notes if n.what is not Noting.SNOOZE), key=lambda n: n.time_s)
    for some, (begin_s, end_s) in zip(found, pairwise([*begins_s, float("inf")]), strict=True):
        assert all(note.time_s < end_s for note in some)
        assert begin_s == begins_s[0] or all(note.time_s >= begin_s for note in some)


def test_notes_of_a_run_are_those_of_its_time() -> None:
    notes = [Noted(time_s=at_s, jar="rye", what=Noting.HOOCH) for at_s in (1.0, 2.0, 3.0)]
    assert [note.time_s for note in during(notes, 2.0, 3.0)] == [2.0]
    assert [note.time_s for note in during(notes, 2.0, None)] == [2.0, 3.0]


def test_every_kind_of_note_has_words() -> None:
    assert set(NOTE_WORDS) == set(Noting)
    assert (
        says(Noted(time_s=0.0, jar="rye", what=Noting.SMELL, text="\x1b]0;x\x07 sour\n\nmilk"))
        == "smell: ]0;x sour milk"
    )
    assert says(Noted(time_s=0.0, jar="rye", what=Noting.REMARK, text="x" * 99), 10) == f"remark: {'x' * 9}…"


# --- the terminal, JSON, the report


@pytest.mark.dates
def test_review_tells_notes_in_their_cycle(home: Settings) -> None:
    done = run(home, "review", "1")
    assert done.exit_code == 0, done.output
    assert told_in(done.stdout)[-2:] == [EARLIER, LATER]
    assert not any(any(some) for some in told_in(done.stdout)[:-2])
    assert "discard noted: 120 g used, 40 g kept" in done.stdout
    assert done.stdout.count("\n  25 g of starter, 100 g of flour, 100 g of water: 1:4:4\n") == 3
    assert "\x1b" not in done.stdout
    last = len(told_in(done.stdout)) - 1
    assert told_in(run(home, "review", f"1:{last}").stdout) == [LATER]  # one cycle has its own


@pytest.mark.dates
def test_notes_are_in_the_json_with_their_time_and_text(home: Settings) -> None:
    cycles = json.loads(run(home, "review", "1", "--json").stdout)["cycles"]
    notes = [note for cycle in cycles for note in cycle["notes"]]
    wanted = [(what.value, text) for _, what, text, shown in NOTES if shown]
    assert [(note["what"], note["text"]) for note in notes] == wanted
    for cycle in cycles:
        assert all(cycle["began_at"] <= note["at"] <= cycle["ended_at"] for note in cycle["notes"])


def test_a_run_file_has_no_notes(home: Settings, tmp_path: Path) -> None:
    assert run(home, "export", "1", "-o", tmp_path / "run.csv").exit_code == 0
    done = jartide("review", tmp_path / "run.csv")
    assert done.exit_code == 0
    assert not any(any(some) for some in told_in(done.stdout))


def test_the_report_has_them_as_text(home: Settings, tmp_path: Path, context: BrowserContext) -> None:
    assert run(home, "review", "1", "--html", tmp_path / "run.html").exit_code == 0
    context.set_offline(True)
    page = context.new_page()
    page.goto((tmp_path / "run.html").as_uri())
    lines = page.locator("section li").all_text_contents()
    assert [line.partition(", ")[2] for line in lines] == [*EARLIER, *LATER]
    drawn = " ".join((page.locator("figure svg").first.text_content() or "").split())
    for number, shown in enumerate([*EARLIER, *LATER], 1):  # the run's own picture has all of them
        assert re.search(rf"{number} \w{{3}} \d\d:\d\d {re.escape(shown)}", drawn), shown
    assert page.locator("img").count() == 0
    assert not serious(page)


# --- pictures


def figure_of(home: Settings, notes: list[Noted] | None = None) -> picture.Any:
    named = recorded("1", home.store.path.with_name("jartide.toml"), None, None, None)
    cycles = reviewed(named).cycles
    figure = picture.drawn(
        named.readings, named.events, empty_mm=180.0, title="$\\nosuch$", zone=named.zone, show=named.show,
        tops=[cycle.top for cycle in cycles if cycle.top is not None],
        notes=[note for cycle in cycles for note in cycle.notes] if notes is None else notes,
    )  # fmt: skip
    figure.draw_without_rendering()
    return figure


def test_a_picture_numbers_them_and_says_what_they_are(home: Settings) -> None:
    figure = figure_of(home)
    top, below = figure.axes
    numbers = [one for one in top.texts if one.get_text().isdigit()]
    assert [one.get_text() for one in numbers] == [str(n + 1) for n in range(len(EARLIER) + len(LATER))]
    boxes = [one.get_window_extent() for one in numbers]
    assert not any(one.overlaps(other) for one, other in combinations(boxes, 2))  # two were made at once
    words = below.xaxis.label
    said = words.get_text().replace("\u00a0", " ")
    assert all(shown in said for shown in [*EARLIER, *LATER])
    assert not words.get_parse_math()
    box = words.get_window_extent()
    assert box.x0 >= 0
    assert box.y0 >= 0
    assert box.x1 <= figure.bbox.x1 - 80  # the date stands there
    assert below.get_ylabel() == "°F"
    assert 74.0 < below.lines[0].get_ydata()[0] < 75.0  # 23.5 degC


def test_notes_that_no_reading_follows_keep_in_the_picture(home: Settings) -> None:
    end_s = max(
        reading.time_s
        for reading in recorded("1", home.store.path.with_name("jartide.toml"), None, None, None).readings
    )
    late = [Noted(time_s=end_s + 60.0 * n, jar="rye", what=Noting.SMELL) for n in range(12)]
    far = Noted(time_s=end_s + 3 * 86400.0, jar="rye", what=Noting.MOULD)
    figure = figure_of(home, [*late, far])
    top, below = figure.axes
    boxes = [one.get_window_extent() for one in top.texts if one.get_text().isdigit()]
    assert len(boxes) == 12
    assert all(one.x1 < other.x0 for one, other in pairwise(boxes))
    assert boxes[-1].x1 <= figure.bbox.x1
    assert "mould" not in below.get_xlabel()


def test_a_line_beneath_a_picture_breaks_between_notes_only(home: Settings) -> None:
    end_s = time.time() - 3600.0
    text = "-".join("abcdefghijklmnop")
    notes = [Noted(time_s=end_s + n, jar="rye", what=Noting.REMARK, text=text[2 * n :]) for n in range(12)]
    lines = figure_of(home, notes).axes[1].get_xlabel().split("\n")
    assert len(lines) > 2
    assert all(line.rstrip("\u00a0").endswith("-p") for line in lines)


def test_a_sign_that_the_letters_lack_is_drawn_without_a_word(tmp_path: Path) -> None:
    readings = [Reading(time_s=60.0 * n, jar="rye", distance_mm=90.0) for n in range(99)]
    notes = [Noted(time_s=600.0, jar="rye", what=Noting.SMELL, text="\N{PEAR}")]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        picture.draw(readings, [], empty_mm=180.0, title="\N{BREAD}", zone=UTC, path=tmp_path / "n.png", notes=notes)
    assert (tmp_path / "n.png").stat().st_size > 10_000


def test_very_many_notes_are_marked_and_counted(home: Settings) -> None:
    end_s = time.time() - 3600.0
    figure = figure_of(home, [Noted(time_s=end_s - 600.0 * n, jar="rye", what=Noting.SMELL) for n in range(40)])
    top, below = figure.axes
    assert below.get_xlabel().replace("\u00a0", " ") == "● noted, 40 times"
    assert not [one for one in top.texts if one.get_text().isdigit()]


def test_picture_draws_them(home: Settings, tmp_path: Path) -> None:
    done = run(home, "picture", "1", "-o", tmp_path / "run.svg")
    assert done.exit_code == 0, done.output
    drawn = (tmp_path / "run.svg").read_text().replace("\u00a0", " ")
    said = " ".join(re.findall(r"<!-- (.*?) -->", drawn, re.S))  # matplotlib notes beside each text what it says
    assert all(word in said for word in ("liquid on top", "discard: used 120 g", "float test: it sank", "$x$"))


# --- the page


def test_what_was_noted_together_has_one_mark(home: Settings, context: BrowserContext) -> None:
    port = free_port()
    server = PageServer(replace(home, page=PageSettings(port=port)))
    with Store.join(home.store.path) as store:
        made_s = max(one.time_s for one in store.told("rye"))
        for n, what in enumerate((Noting.SMELL, Noting.REMARK, Noting.REMARK)):
            store.tell(Noted(time_s=made_s + 60.0 * n, jar="rye", what=what), made_s)
    server.start()
    try:
        wait_until(lambda: listens(port), "the page listens")
        eyes = Eyes(context, f"http://127.0.0.1:{port}/")
        figure = eyes.page.locator("figure")
        figure.scroll_into_view_if_needed()
        expect(figure).to_have_attribute("data-marks", re.compile("float test, discard, .*4 notes"), timeout=WAIT_MS)
        assert not eyes.wrong
    finally:
        server.stop()
        with Store.join(home.store.path) as store:
            for _ in range(3):
                reported.take_back(store, "rye", time.time())


def test_the_page_has_them_in_the_list_and_in_the_opened_cycle(home: Settings, context: BrowserContext) -> None:
    port = free_port()
    server = PageServer(replace(home, page=PageSettings(port=port)))
    server.start()
    try:
        wait_until(lambda: listens(port), "the page listens")
        base = f"http://127.0.0.1:{port}/"
        rows = httpx.get(f"{base}api/jars/rye/cycles").json()["cycles"]
        assert [[note["says"] for note in row["notes"]] for row in rows[:2]] == [LATER, EARLIER]
        assert not any(row["notes"] for row in rows[2:])
        one = httpx.get(f"{base}api/runs/1/cycles/{rows[1]['cycle']}").json()
        assert one["notes"] == rows[1]["notes"]

        eyes = Eyes(context, f"{base}#/past/rye")
        eyes.page.set_viewport_size(PHONE)  # type: ignore[arg-type]
        listed = eyes.page.locator(".rows > li").nth(1)
        expect(listed).to_contain_text("liquid on top, smell, discard, baked with it")
        listed.get_by_role("link").click()
        expect(eyes.page.get_by_role("heading", name="Fed and noted")).to_be_visible()
        for said in EARLIER:
            expect(eyes.page.locator("ul.rows")).to_contain_text(said)
        figure = eyes.page.locator("figure")
        expect(figure).to_have_attribute(
            "data-marks", re.compile("liquid on top, .*smell, discard, baked with it"), timeout=WAIT_MS
        )
        expect(eyes.page.locator("main")).to_contain_text("from the smoother", timeout=WAIT_MS)
        expect(figure).to_have_attribute("data-marks", re.compile("liquid on top"))  # they stay
        eyes.page.goto(f"{base}#/")
        noted = eyes.page.locator(".lines li", has_text="into the fridge")
        expect(noted).to_have_text(re.compile(r"^Noted: into the fridge, \d\d:\d\d and 2 more$"))
        noted.get_by_role("link").click()
        for said in LATER:
            expect(eyes.page.locator("ul.rows")).to_contain_text(said)
        assert not serious(eyes.page)
        assert eyes.page.locator("img").count() == 0
        assert not eyes.wrong
    finally:
        server.stop()
