"""`jartide review --html` and `compare --html`: one file that needs nothing and harms nobody, in a real browser."""

from __future__ import annotations

import json
import re
from datetime import UTC
from itertools import combinations
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from monitor.cli.recorded import recorded, reviewed
from monitor.review import picture
from monitor.review.report import HIGH_IN, WIDE_IN
from tests.browsing import PHONE, serious
from tests.terminal import jartide as run

RUNS = Path(__file__).parents[2] / "simulated_runs"
EVIL = "<img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of a night whose jar has a nasty name."""
    folder = tmp_path_factory.mktemp("report")
    text = (RUNS / "good_night.csv").read_text().replace("# jar: midnight", f"# jar: {EVIL}")
    (folder / "night.csv").write_text(text)
    done = run("review", folder / "night.csv", "--html", folder / "night.html")
    assert done.exit_code == 0, done.output
    assert done.stdout == ""
    return folder / "night.html"


def test_it_is_one_file_that_asks_for_nothing(night: Path) -> None:
    text = night.read_text()
    assert len(text) < 400_000
    assert "default-src 'none'" in text
    assert "<script" not in text
    assert not re.search(r'(src|href)="(?!#)', text)
    assert not re.search(r"url\((?!#)", text)
    assert not re.search(r"@import|@font-face", text)
    ids = re.findall(r' id="([^"]+)"', text)
    assert len(ids) == len(set(ids))


def test_its_numbers_are_those_of_review(night: Path) -> None:
    csv = night.with_suffix(".csv")
    cycle = json.loads(run("review", csv, "--json").stdout)["cycles"][1]
    low, likely, high = cycle["hours_to_peak"].values()
    assert f"{likely:.1f} ({low:.1f} to {high:.1f}) h" in night.read_text()
    both = run("review", csv, "--json", "--html", night.with_name("again.html"))
    assert json.loads(both.stdout)["cycles"][1] == cycle
    assert night.with_name("again.html").read_text() == night.read_text()  # the same run, the same report


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_in_a_browser_without_a_network(night: Path, browser: Browser, scheme: str) -> None:
    context = browser.new_context(viewport=PHONE, color_scheme=scheme, offline=True)  # type: ignore[arg-type]
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda said: wrong.append(said.text))
    page.on("dialog", lambda dialog: (wrong.append(dialog.message), dialog.dismiss()))
    page.goto(night.as_uri())
    expect(page.locator("h1")).to_have_text(EVIL)
    assert page.locator("svg").count() == 3  # the run and its two cycles
    assert page.locator("img").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    stroke = page.locator("svg path[style*='stroke: var(--ink)']").first.evaluate(
        "node => getComputedStyle(node).stroke"
    )
    assert stroke == {"light": "rgb(20, 33, 63)", "dark": "rgb(241, 244, 250)"}[scheme]
    assert not serious(page)
    assert not wrong
    context.close()


def test_several_runs_lie_over_each_other(tmp_path: Path) -> None:
    flours = [RUNS / f"three_flours.{flour}.csv" for flour in ("rye", "white")]
    done = run("compare", *flours, "--html", tmp_path / "flours.html")
    assert done.exit_code == 0, done.output
    text = (tmp_path / "flours.html").read_text()
    assert text.count("<svg") == 3  # over each other, and each by itself
    assert "Overlaid" in text
    assert all(path.name in text for path in flours)


def test_what_cannot_be_written_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    nowhere = run("review", RUNS / "good_night.csv", "--html", tmp_path / "none" / "night.html")
    assert nowhere.exit_code == 2
    assert "cannot be written" in nowhere.stderr

    def without(size_in: tuple[float, float]) -> None:
        raise picture.PictureError("pictures need matplotlib: pip install 'jartide[pictures]'")

    monkeypatch.setattr(picture, "new_figure", without)
    lacking = run("review", RUNS / "good_night.csv", "--html", tmp_path / "night.html")
    assert lacking.exit_code == 1
    assert lacking.stderr.splitlines()[-1] == "pictures need matplotlib: pip install 'jartide[pictures]'"
    assert not list(tmp_path.iterdir())


def test_a_picture_shows_the_top_with_its_range(tmp_path: Path) -> None:
    done = run("picture", f"{RUNS / 'good_night.csv'}:1", "-o", tmp_path / "night.svg")
    assert done.exit_code == 0, done.output
    drawn = (tmp_path / "night.svg").read_text()
    assert "<svg" in drawn
    words = run("review", f"{RUNS / 'good_night.csv'}:1").stdout
    peak = re.search(r"peak \d+-\d+-\d+ (\d\d:\d\d)", words)
    assert peak
    comments = re.findall(r"<!-- (.*?) -->", drawn)  # matplotlib notes beside each text what it says
    assert f"peak {peak[1]}" in comments
    assert any(re.fullmatch(r"\d\d:\d\d to \d\d:\d\d", said) for said in comments)  # its range, in the lane above


@pytest.mark.parametrize("size_in", [(11.0, 6.5), (WIDE_IN, HIGH_IN)])
@pytest.mark.parametrize("name", ["good_night", "look_inside", "fed_when_fallen"])
def test_words_lie_apart_and_hands_do_not_press_the_night_flat(name: str, size_in: tuple[float, float]) -> None:
    named = recorded(str(RUNS / f"{name}.csv"), Path("none.toml"), None, None, None)
    tops = [cycle.top for cycle in reviewed(named).cycles if cycle.top is not None]
    figure = picture.drawn(
        named.readings, named.events, empty_mm=named.jar.empty_mm, title="", zone=UTC, tops=tops, size_in=size_in
    )
    figure.draw_without_rendering()
    axes = figure.axes[0]
    words = [(one.get_text(), one.get_window_extent()) for one in axes.texts]
    legend = axes.get_legend()  # where there are too many for words beside them
    named_words = {text for text, _ in words} if legend is None else {one.get_text() for one in legend.get_texts()}
    assert {"fed", "fall known: feed now"} <= named_words
    for (one, box), (other, beside) in combinations(words, 2):
        assert not box.overlaps(beside), (one, other)
    assert all(figure.bbox.x0 <= box.x0 and box.x1 <= figure.bbox.x1 for _, box in words)
    low, high = axes.get_ylim()
    assert max(top.peak_mm[1] for top in tops) > low + 0.7 * (high - low)


@pytest.mark.parametrize(
    ("words", "option"),
    [
        (("picture", RUNS / "good_night.csv", "-o", "taken.png"), "--output"),
        (("review", RUNS / "good_night.csv", "--html", "taken.html"), "--html"),
        (("compare", RUNS / "good_night.csv", RUNS / "good_night.csv", "--html", "taken.html"), "--html"),
    ],
    ids=lambda words: words[0] if isinstance(words, tuple) else "",
)
def test_a_file_that_is_there_is_not_written_over(
    words: tuple[str | Path, ...], option: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    taken = tmp_path / words[-1]
    taken.write_text("a year's bread")
    done = run(*words)
    assert done.exit_code == 2
    assert done.stderr == f"{option}: {taken.name} exists already; give a new name\n"
    assert taken.read_text() == "a year's bread"
    assert "a new file" in run(words[0], "--help").stdout.lower()
