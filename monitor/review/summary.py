"""A recorded run in the few numbers that people want afterwards: how its cycles rose, how long they took, how warm it
was, and how well it was measured.

Pure: readings, decisions about them and reports come in, frozen summaries go out. The peak and the start of the fall
are the smoother's. `monitor.cli.review` prints it; pages and pictures have their own modules.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import fmean, median
from typing import TYPE_CHECKING

from monitor.core.assess import notebook
from monitor.core.detect.cycle import START_FROM_S, START_TO_S
from monitor.core.detect.superseded import SAME_FEEDING_S
from monitor.core.vessel.level import distance_of, rise_ratio
from monitor.runs.reading_columns import PairColumns
from monitor.settings import JarSettings
from monitor.values import Event, EventKind, Fed, Noted, Reading, Span

if TYPE_CHECKING:
    from monitor.review.smoother import Top

GAP_SAMPLES = 5.0  # a silence of more than five usual intervals and ten minutes is a gap worth a line
GAP_S = 600.0
NEAREST_MM = 5.0  # anything this near to the sensor is not dough but a code or a hand
CURVE_POINTS = 120
HANDS_S = 300.0  # hands are at the jar this long before and after the time of a feeding

Range = tuple[float, float, float]  # low, likely, high: 90 %


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleSummary:
    """One cycle. `number` counts feedings as the store does: 0 is what came before the first. `fed_at_s` is None when
    the recording began in the middle of it; then there is no starting level and no ratio. `top` is None when no peak
    was decided; its fall is the decided one where the smoother is not certain of any; `known_at_s` is when "feed now"
    could first be said. `reached_ratio` is how high one without a peak had risen when it was fed again. `curve` holds
    (time, level) at most `CURVE_POINTS` times; without an empty distance levels are distances, negated. `notes` are
    what was noted in it, in order."""

    number: int
    begin_s: float
    end_s: float
    fed_at_s: float | None
    fed: Fed | None
    start_mm: float | None
    top: Top | None
    rise_mm: Range | None
    rise_ratio: Range | None
    reached_ratio: float | None
    hours_to_peak: Range | None
    hours_to_fall: Range | None
    known_at_s: float | None
    mean_c: float | None
    least_c: float | None
    most_c: float | None
    flat: bool
    disturbed: int
    curve: tuple[tuple[float, float], ...]
    notes: tuple[Noted, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSummary:
    """One run. `gaps` are (from, to) of silences; `rejected` counts readings that were not believed, by reason."""

    jar: str
    began_s: float
    ended_s: float
    readings: int
    with_level: int
    sampling_s: float | None
    gaps: tuple[tuple[float, float], ...]
    rejected: Mapping[str, int]
    cycles: tuple[CycleSummary, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """The time of a cycle: from `begin_s`, a feeding or (`began_fed` False) the first reading, to `end_s`, the next
    feeding or (`ended_fed` False) the last reading. `number` is 0 for what came before the first feeding."""

    number: int
    begin_s: float
    end_s: float
    began_fed: bool
    ended_fed: bool


@dataclass(frozen=True, slots=True)
class _Series:
    """Levels and temperatures in order of time."""

    time_s: Sequence[float]
    level_mm: Sequence[float]
    warm_s: Sequence[float]
    warm_c: Sequence[float]


def summarize(
    readings: Iterable[Reading],
    events: Sequence[Event],
    told: Sequence[Fed],
    jar: JarSettings,
    rejected: Mapping[str, int],
    seen: Callable[[], object] = lambda: None,
    choose: Callable[[Sequence[Stretch]], Sequence[Stretch]] = lambda every: every,
    notes: Sequence[Noted] = (),
) -> RunSummary | None:
    """The summary of a run; None when it has no reading. `seen` is called after each cycle (progress), `choose` says
    which cycles are wanted: each takes a tenth of a second or more.

    `events` are those that hold (none that a later report replaced), in the order decided; `notes` are those made
    during the run.
    """
    every, series = _series(readings, jar)
    if not every:
        return None
    stretches = _stretches(every, events, told)
    noted = dict(zip(stretches, notebook.by_cycle(notes, [s.begin_s for s in stretches]), strict=True))
    cycles = []
    for stretch in choose(stretches):
        cycles.append(_cycle(stretch, series, events, told, jar, noted[stretch]))
        seen()
    steps = sorted(b - a for a, b in pairwise(every) if b > a)
    sampling_s = steps[len(steps) // 2] if steps else None
    longest_s = max(GAP_S, GAP_SAMPLES * (sampling_s or 0.0))
    gaps = tuple((a, b) for a, b in pairwise(every) if b - a > longest_s)
    return RunSummary(
        jar=jar.name,
        began_s=every[0],
        ended_s=every[-1],
        readings=len(every),
        with_level=len(series.time_s),
        sampling_s=sampling_s,
        gaps=gaps,
        rejected={reason: count for reason, count in sorted(rejected.items()) if count},
        cycles=tuple(cycles),
    )


def look_back(
    readings: Iterable[Reading], events: Sequence[Event], told: Sequence[Fed], jar: JarSettings, stretch: Stretch
) -> CycleSummary:
    """One cycle whose time is known, from its own readings and the events that hold."""
    return _cycle(stretch, _series(readings, jar)[1], events, told, jar)


def _stretches(every: Sequence[float], events: Sequence[Event], told: Sequence[Fed]) -> list[Stretch]:
    """The cycles of a run, from one feeding to the next; `every` are the times of its readings, in order."""
    fed_s = _feedings(events, told)
    edges = [every[0], *(t for t in fed_s if every[0] < t < every[-1]), every[-1]]
    known = fed_s[0] <= every[0] + START_TO_S if fed_s else False
    if known and len(edges) > 2 and edges[1] - edges[0] <= START_TO_S:
        del edges[0]  # the run begins with the feeding itself
    first = 1 if known else 0
    return [
        Stretch(
            number=number, begin_s=begin_s, end_s=end_s, began_fed=number > 0, ended_fed=number < first + len(edges) - 2
        )
        for number, (begin_s, end_s) in enumerate(pairwise(edges), start=first)
    ]


def _series(readings: Iterable[Reading], jar: JarSettings) -> tuple[Sequence[float], _Series]:
    """All times, and the possible levels and temperatures, each in order of time."""
    farthest_mm = 2000.0 if jar.empty_mm is None else jar.empty_mm
    every, levels, warmth = PairColumns(), PairColumns(), PairColumns()
    for reading in readings:
        every.append(reading.time_s, 0.0)
        celsius = reading.temperature_c
        if celsius is not None and -20.0 < celsius < 60.0:  # anything else is the code of a sensor that failed
            warmth.append(reading.time_s, celsius)
        distance_mm = distance_of(reading, celsius)
        if distance_mm is not None and NEAREST_MM < distance_mm < farthest_mm:
            levels.append(reading.time_s, (jar.empty_mm or 0.0) - distance_mm)
    return every.in_order()[0], _Series(*levels.in_order(), *warmth.in_order())


def _feedings(events: Sequence[Event], told: Sequence[Fed]) -> list[float]:
    """Times of feedings: the decided ones, and reported ones that match none of them."""
    times = [e.happened_at_s for e in events if e.kind is EventKind.FED]
    times += [fed.time_s for fed in told if all(abs(fed.time_s - t) > SAME_FEEDING_S for t in times)]
    return sorted(set(times))


def _between(
    time_s: Sequence[float], values: Sequence[float], from_s: float, to_s: float
) -> tuple[list[float], list[float]]:
    first, last = bisect_left(time_s, from_s), bisect_right(time_s, to_s)
    return list(time_s[first:last]), list(values[first:last])


# branches: a field a line, each None where it is not known
def _cycle(
    stretch: Stretch,
    series: _Series,
    events: Sequence[Event],
    told: Sequence[Fed],
    jar: JarSettings,
    notes: tuple[Noted, ...] = (),
) -> CycleSummary:
    begin_s, end_s, began_fed = stretch.begin_s, stretch.end_s, stretch.began_fed
    here = [e for e in events if begin_s <= e.happened_at_s <= end_s]  # perhaps decided long after the last reading
    kinds = [e.kind for e in here]
    back_s, until_s = _lid_on(stretch, here)
    time_s, level_mm = covered(*_between(series.time_s, series.level_mm, back_s, until_s), here)
    start_mm = None
    if began_fed and level_mm:
        _, early = _between(time_s, level_mm, back_s + START_FROM_S, back_s + START_TO_S)
        start_mm = median(early or level_mm[:1])
    top = None
    if EventKind.PEAK_REACHED in kinds:
        seats = [e.happened_at_s for e in here if e.kind in (EventKind.LID_ON, EventKind.DISTURBED)]
        seats = [t for t in seats if back_s + START_TO_S < t < until_s]
        from monitor.review.smoother import smooth_top  # brings numpy: no command's help waits for it

        top = smooth_top(*_between(time_s, level_mm, back_s + HANDS_S, until_s), seats)
    fell_s = next((e.happened_at_s for e in reversed(here) if e.kind is EventKind.FALL_BEGAN), None)
    if top is not None and top.fall_at is None and fell_s is not None:
        top = replace(top, fall_at=_decided_fall(top, fell_s, end_s))
    foot_mm = start_mm if start_mm is not None else _foot(level_mm)
    warm_to_s = top.fall_at.likely_s if top is not None and top.fall_at is not None else end_s
    curve = _curve(time_s, level_mm)
    rose_until_fed = stretch.ended_fed and EventKind.RISE_BEGAN in kinds
    _, warmth = _between(series.warm_s, series.warm_c, begin_s, warm_to_s)
    return CycleSummary(
        number=stretch.number,
        begin_s=begin_s,
        end_s=end_s,
        fed_at_s=begin_s if began_fed else None,
        fed=next((fed for fed in told if abs(fed.time_s - begin_s) <= SAME_FEEDING_S), None) if began_fed else None,
        start_mm=start_mm,
        top=top,
        rise_mm=_rise_mm(top, foot_mm),
        rise_ratio=_rise_ratio(top, start_mm, jar),
        reached_ratio=_reached_ratio(curve, start_mm, jar) if top is None and rose_until_fed else None,
        hours_to_peak=_hours(top.peak_at, begin_s) if top is not None and began_fed else None,
        hours_to_fall=_hours(top.fall_at, begin_s) if top is not None and began_fed else None,
        known_at_s=next((e.decided_at_s for e in here if e.kind is EventKind.FALL_BEGAN), None),
        mean_c=fmean(warmth) if warmth else None,
        least_c=min(warmth, default=None),
        most_c=max(warmth, default=None),
        flat=EventKind.STAYED_FLAT in kinds,
        disturbed=kinds.count(EventKind.DISTURBED),
        curve=curve,
        notes=notes,
    )


def _decided_fall(top: Top, fell_s: float, end_s: float) -> Span:
    """The fall that was decided, where the smoother is not certain of one: "feed now" hung on it, so it is shown, and
    not before the smoother's own peak. It lies somewhere from then to the end of what was seen."""
    likely_s = max(fell_s, top.peak_at.likely_s)
    earliest_s = min(likely_s, max(fell_s, top.peak_at.earliest_s))
    return Span(earliest_s=earliest_s, likely_s=likely_s, latest_s=max(likely_s, min(top.peak_at.latest_s, end_s)))


def _lid_on(stretch: Stretch, here: Sequence[Event]) -> tuple[float, float]:
    """From when until when the dough can be seen: from when the lid is back on after the feeding that begins the
    stretch until it comes off for the one that ends it."""
    lifted_s = next((e.evidence.get("lid_off_s") for e in here if e.kind is EventKind.FED), None)
    seen_s = stretch.begin_s + (lifted_s if isinstance(lifted_s, int | float) else 0.0)
    back_s = next((e.happened_at_s for e in here if e.kind is EventKind.LID_ON), seen_s)
    off_s = next((e.happened_at_s for e in reversed(here) if e.kind is EventKind.LID_OFF), stretch.end_s)
    until_s = off_s if stretch.end_s - off_s < START_TO_S else stretch.end_s
    if stretch.ended_fed:
        until_s = min(until_s, stretch.end_s - HANDS_S)
    return back_s if back_s - stretch.begin_s < START_TO_S else stretch.begin_s, until_s


def _rise_mm(top: Top | None, foot_mm: float | None) -> Range | None:
    if top is None or foot_mm is None:
        return None
    low, likely, high = top.peak_mm
    return low - foot_mm, likely - foot_mm, high - foot_mm


def _reached_ratio(curve: Sequence[tuple[float, float]], start_mm: float | None, jar: JarSettings) -> float | None:
    """How high it stood at its highest, whether or not that was the top."""
    if start_mm is None or jar.empty_mm is None or not curve:
        return None
    return rise_ratio(jar.geometry, max(level for _, level in curve), start_mm)


def _rise_ratio(top: Top | None, start_mm: float | None, jar: JarSettings) -> Range | None:
    if top is None or start_mm is None or jar.empty_mm is None:
        return None
    low, likely, high = (rise_ratio(jar.geometry, peak_mm, start_mm) for peak_mm in top.peak_mm)
    return None if low is None or likely is None or high is None else (low, likely, high)


def covered(
    time_s: Sequence[float], level_mm: Sequence[float], here: Sequence[Event]
) -> tuple[list[float], list[float]]:
    """The readings while the lid was on; while it is off, the sensor reads hands and tables."""
    open_s: list[tuple[float, float]] = []
    off_s: float | None = None
    for event in sorted(here, key=lambda e: e.happened_at_s):
        if event.kind is EventKind.LID_OFF:
            off_s = event.happened_at_s
        elif event.kind is EventKind.LID_ON and off_s is not None:
            open_s.append((off_s, event.happened_at_s))
            off_s = None
    return without(time_s, level_mm, open_s)


def without(
    time_s: Sequence[float], values: Sequence[float], spans: Sequence[tuple[float, float]]
) -> tuple[list[float], list[float]]:
    """The times outside of some spans, each from its begin up to its end; the times are in order."""
    kept_s: list[float] = []
    kept: list[float] = []
    place = 0
    for begin_s, end_s in sorted(spans):
        first = max(bisect_left(time_s, begin_s), place)
        kept_s += time_s[place:first]
        kept += values[place:first]
        place = max(bisect_left(time_s, end_s), first)
    return [*kept_s, *time_s[place:]], [*kept, *values[place:]]


def _foot(level_mm: list[float]) -> float | None:
    """In place of a starting level: the level below which a twentieth of the readings are."""
    return sorted(level_mm)[len(level_mm) // 20] if level_mm else None


def _hours(span: Span | None, begin_s: float) -> Range | None:
    if span is None:
        return None
    early_h, likely_h, late_h = ((t - begin_s) / 3600.0 for t in (span.earliest_s, span.likely_s, span.latest_s))
    return early_h, likely_h, late_h


def _curve(time_s: list[float], level_mm: list[float]) -> tuple[tuple[float, float], ...]:
    """The medians of equal stretches of time, in which single wild readings do not show."""
    if not time_s:
        return ()
    wide_s = max((time_s[-1] - time_s[0]) / CURVE_POINTS, 1e-9)
    stretches: dict[int, list[float]] = {}
    for t, level in zip(time_s, level_mm, strict=True):
        stretches.setdefault(min(int((t - time_s[0]) / wide_s), CURVE_POINTS - 1), []).append(level)
    return tuple((time_s[0] + (k + 0.5) * wide_s, median(part)) for k, part in sorted(stretches.items()))
