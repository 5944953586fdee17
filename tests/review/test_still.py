"""A whole cycle as a still picture: its title is one that a person would write, its words keep apart, and all of them
can be read against their ground (WCAG 2.2, 1.4.3: 4.5 to 1)."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb

from monitor.core.display.titles import cycle_title, hours_said, stretch
from monitor.core.display.units import Display
from monitor.review import picture, still
from monitor.review.still import INK, ON, PLATE, SOFT, STAGES, WARM
from tests.terminal import jartide

ROOT = Path(__file__).resolve().parents[2]
EVENING_S = 1_795_809_600.0  # 27 November 2026, 20:00 UTC
H_S = 3600.0


def luminance(colour: str) -> float:
    parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_titles_are_what_a_person_would_write() -> None:
    show = Display()
    said = cycle_title("rye", EVENING_S, EVENING_S + 13.0 * H_S, show, 2.31, 7.4)
    assert said == "rye, night of 27 to 28 November: 2.3 times in 7½ h"
    assert cycle_title("rye", EVENING_S, EVENING_S + H_S, show, None, None) == "rye, night of 27 November"
    assert stretch(EVENING_S - 12 * H_S, EVENING_S - 2 * H_S, show) == "27 November"
    assert stretch(EVENING_S + 3 * 24 * H_S, EVENING_S + 4 * 24 * H_S, show) == "night of 30 November to 1 December"
    assert [hours_said(h) for h in (0.6, 1.0, 7.2, 7.4, 12.0)] == ["36 min", "1 h", "7 h", "7½ h", "12 h"]


def test_every_word_can_be_read() -> None:
    for colour in (INK, SOFT, WARM):
        assert contrast(colour, PLATE) >= 4.5
    for colour, _ in STAGES.values():
        assert contrast(ON, colour) >= 4.5


@pytest.fixture
def in_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The machine's zone, which a file's picture is drawn in, for one test."""
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "UTC")
        time.tzset()
        yield
    time.tzset()


@pytest.mark.usefixtures("in_utc")
def test_a_recorded_night_is_drawn_and_its_words_keep_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = []
    monkeypatch.setattr(picture, "saved", lambda figure, out, **how: made.append(figure))
    out = tmp_path / "night.png"
    night = f"{ROOT / 'simulated_runs' / 'good_night.csv'}:1"
    done = jartide("picture", night, "-o", out, "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["file"] == str(out)
    (figure,) = made
    FigureCanvasAgg(figure).draw()
    texts = [t for axes in figure.axes for t in [*axes.texts, *axes.get_xticklabels()]] + figure.texts
    words = [t for t in texts if t.get_text()]
    assert any(t.get_text().startswith("midnight, night of 2 to 3 March: 2.") for t in words)
    assert {still.STAGES[stage][1] for stage in ("rising", "sinking")} <= {t.get_text() for t in words}
    boxes = [(t.get_text(), t.get_window_extent()) for t in words]
    wide, high = figure.canvas.get_width_height()
    for (one, a), (other, b) in combinations(boxes, 2):
        across, down = min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)
        assert across < 1 or down < 1, f"{one} / {other}"
    for word, box in boxes:
        assert box.x0 >= 0, word
        assert box.x1 <= wide, word
        assert box.y0 >= 0, word
        assert box.y1 <= high, word
