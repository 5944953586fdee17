"""Made histories for the situations that bakers get into, and all that is said of them in one text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from monitor.core.assess import vigour
from monitor.core.assess.now import Current
from monitor.core.assess.vigour import Assessment
from monitor.core.display.units import Display
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture
from monitor.values import Cycle, Noted, Noting, Span, Stage, of_grams

T = 1_772_409_600.0  # 2026-03-02T00:00:00Z
H, DAY = 3600.0, 86_400.0


def cycle(
    fed_h: float,
    *,
    peak_h: float | None = None,
    fall_h: float | None = None,
    end_h: float | None = None,
    ratio: float | None = None,
    c: float = 22.0,
    grams: tuple[float, float, float] | None = (25.0, 100.0, 100.0),
    flour: str | None = "white",
    **more: Any,
) -> Cycle:
    """One cycle, in hours from its feeding; `fed_h` from the beginning of the story."""
    fed_at_s = T + H * fed_h
    feeding = of_grams(grams or (None, None, None), flour)
    hours = round(end_h or fall_h or peak_h or 1.0)
    return Cycle(
        jar="x", number=round(fed_h) + 1, fed_at_s=fed_at_s, told=True, feeding=feeding,
        peak_at_s=None if peak_h is None else fed_at_s + H * peak_h, peak_ratio=ratio,
        fall_at_s=None if fall_h is None else fed_at_s + H * fall_h,
        ended_at_s=None if end_h is None else fed_at_s + H * end_h, temperatures_c=(c,) * max(hours, 1), **more,
    )  # fmt: skip


def daily(
    ratios: Sequence[float], peaks: Sequence[float] | float = 9.0, every_h: float = 24.0, **more: Any
) -> list[Cycle]:
    """So many cycles, one each `every_h`, whose fall begins at 1.35 times the hours to their peak."""
    hours = [peaks] * len(ratios) if isinstance(peaks, float) else list(peaks)
    return [
        cycle(every_h * i, peak_h=p, fall_h=min(1.35 * p, every_h - 0.1), end_h=every_h, ratio=r, **more)
        for i, (r, p) in enumerate(zip(ratios, hours, strict=True))
    ]


def flat(days: int, **more: Any) -> list[Cycle]:
    """Fed each day, and nothing rose."""
    return [cycle(24.0 * i, end_h=24.0, **more) for i in range(days)]


def later(cycles: Sequence[Cycle], days: float) -> list[Cycle]:
    """The same, so many days later."""
    move_s = DAY * days
    return [
        replace(
            one, fed_at_s=one.fed_at_s + move_s, number=one.number + round(24 * days),
            peak_at_s=None if one.peak_at_s is None else one.peak_at_s + move_s,
            fall_at_s=None if one.fall_at_s is None else one.fall_at_s + move_s,
            ended_at_s=None if one.ended_at_s is None else one.ended_at_s + move_s,
        )
        for one in cycles
    ]  # fmt: skip


def begun(days_before: float) -> Noted:
    """Told when it was begun, in days before the story (in whole days, as dates are)."""
    from datetime import UTC, datetime

    return note(Noting.BEGUN, f"{datetime.fromtimestamp(T - DAY * days_before, UTC):%Y-%m-%d}", 0.0)


def note(what: Noting, text: str = "", at_h: float = 0.0) -> Noted:
    """Noted at an hour of the story."""
    return Noted(time_s=T + H * at_h, jar="x", what=what, text=text)


def rising(ratio: float, slope: float, peak_h: float) -> Current:
    """The jar now: rising, with the forecast's peak in hours of the story."""
    peak = Span(earliest_s=T + H * (peak_h - 3), likely_s=T + H * peak_h, latest_s=T + H * (peak_h + 5))
    return Current(stage=Stage.RISING, rise_ratio=ratio, slope_mm_per_h=slope, peak_at=peak)


def judge(
    cycles: Sequence[Cycle], at_h: float, notes: Sequence[Noted] = (), current: Current | None = None, **more: Any
) -> Assessment:
    """What is judged at an hour of the story."""
    return vigour.assess(cycles, notes, T + H * at_h, current=current, display=Display(), **more)


def said(made: Assessment) -> str:
    """All of it in one text."""
    advice = (one.say for one in made.advice)
    return " ".join([made.verdict, made.because, made.now or "", made.flagging or "", *advice, *made.levers])


def culture(peak_h: float = 9.0, ratio: float = 2.5, count: int = 8, c: float = 22.0, **more: Any) -> Culture:
    """What is learnt of a steady starter."""
    return starter_models.learned_from(daily([ratio] * count, peak_h, c=c, **more))


def holds(text: str, says: Sequence[str], never: Sequence[str] = ()) -> None:
    """The row's content is there, and what it forbids is not."""
    low = text.lower()
    for words in says:
        assert words.lower() in low, f"{words!r} is missing in: {text}"
    for words in never:
        assert words.lower() not in low, f"{words!r} must not be said, and is: {text}"
