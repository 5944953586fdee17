"""A run of many cycles as a still picture: a few beside each other, weeks as rows, a season as a calendar."""

from __future__ import annotations

import math
from datetime import UTC, date
from itertools import combinations

from matplotlib.backends.backend_agg import FigureCanvasAgg

from monitor.review import days
from monitor.review.smoother import Top
from monitor.review.summary import CycleSummary, RunSummary
from monitor.settings import JarSettings
from monitor.values import Noted, Noting, Span
from tests.review.test_still import contrast

H_S, DAY_S = 3600.0, 86_400.0
BEGIN_S = 1_792_998_000.0  # Monday, 26 October 2026, 07:00 UTC
JAR = JarSettings(name="rye", empty_mm=150.0)


def cycle(day: int, rise: float, mean_c: float = 22.0, notes: tuple[Noted, ...] = ()) -> CycleSummary:
    """Invented: a bell of eight hours, highest `rise` times."""
    begin_s = BEGIN_S + day * DAY_S
    curve = tuple(
        (begin_s + h * H_S, 30.0 * (1.0 + (rise - 1.0) * math.exp(-(((h - 8.0) / 4.0) ** 2)))) for h in range(24)
    )
    peak = Span(earliest_s=begin_s + 7 * H_S, likely_s=begin_s + 8 * H_S, latest_s=begin_s + 9 * H_S)
    return CycleSummary(
        number=day, begin_s=begin_s, end_s=begin_s + DAY_S, fed_at_s=begin_s, fed=None, start_mm=30.0,
        top=Top(peak_at=peak, fall_at=None, peak_mm=(29.0 * rise, 30.0 * rise, 31.0 * rise)) if rise > 1.0 else None,
        rise_mm=None, rise_ratio=(rise - 0.05, rise, rise + 0.05) if rise > 1.0 else None, reached_ratio=None,
        hours_to_peak=None, hours_to_fall=None, known_at_s=None, mean_c=mean_c, least_c=mean_c,
        most_c=mean_c, flat=False, disturbed=0, curve=curve, notes=notes,
    )  # fmt: skip


def run(cycles: list[CycleSummary]) -> RunSummary:
    return RunSummary(
        jar="rye", began_s=cycles[0].begin_s, ended_s=cycles[-1].end_s, readings=1, with_level=1, sampling_s=60.0,
        gaps=(), rejected={}, cycles=tuple(cycles),
    )  # fmt: skip


def texts(cycles: list[CycleSummary]) -> list[str]:
    """The words of a run's picture, which must keep apart."""
    figure = days.whole_run(run(cycles), JAR, UTC)
    FigureCanvasAgg(figure).draw()
    said = [text for axes in figure.axes for text in axes.texts if text.get_text()]
    boxes = [(text.get_text(), text.get_window_extent()) for text in said]
    for (one, a), (other, b) in combinations(boxes, 2):
        wide, high = min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)
        assert wide <= 1 or high <= 3, (one, other)
    high = figure.get_figheight() * figure.dpi
    assert all(box.y0 >= 0 and box.y1 <= high for _, box in boxes)
    return [words for words, _ in boxes]


def test_forty_days_are_a_week_a_row() -> None:
    told = Noted(time_s=BEGIN_S + 3 * DAY_S, jar="rye", what=Noting.SMELL, text="like pears")
    cycles = [cycle(k, 1.8 + 0.05 * (k % 10), notes=(told,) if k == 3 else ()) for k in range(40) if k not in (20, 21)]
    cycles[10] = cycle(10, 1.3, mean_c=17.0)
    cycles.append(cycle(40, 1.0, mean_c=4.0))
    said = texts(cycles)
    doubled = sum(one.rise_ratio is not None and one.rise_ratio[1] >= 2.0 for one in cycles)
    assert said[0] == f"rye, 26 October to 5 December: doubled in {doubled} of 38 cycles"
    assert {"Mon", "Sun", "26 Oct", "1 Nov", "cold, 17.0 °C", "fridge", "✻", "1"} <= set(said)
    assert said.count("1.8") == 2  # four days of ten, less one in the fridge and a cold one
    assert any("smell: like pears" in words.replace("\u00a0", " ") for words in said)


def test_few_cycles_stand_beside_each_other() -> None:
    said = texts([cycle(k, 2.2) for k in range(3)])
    assert said[0] == "rye, 26 to 28 October: doubled in every cycle"
    assert {"Mon 26 Oct, fed 07:00", "Wed 28 Oct, fed 07:00"} <= set(said)


def test_a_season_is_a_calendar() -> None:
    said = texts([cycle(k, 1.5) for k in range(200)])
    assert said[0] == "rye, 26 October 2026 to 13 May 2027: never doubled, 1.5 times at most"
    assert {"October 2026", "May 2027"} <= set(said)


def test_without_a_rise_the_title_says_when() -> None:
    for last, said in ((date(2026, 11, 2), "26 October to 2 November"), (date(2026, 10, 28), "26 to 28 October")):
        assert days.run_title("rye", date(2026, 10, 26), last, []) == f"rye, {said}"


def test_the_fridge_can_be_read() -> None:
    assert contrast(days.RESTING, days.PLATE) >= 4.5
