"""Which constants of the detector matter? Each is moved by 20 % both ways, and the evaluation set is judged again.

    python -m tests.bench.sensitivity                  12 jar-days of the tune half
    python -m tests.bench.sensitivity --days 40 --more 80 --only fall

Printed for each constant of `monitor/core/signal` and `monitor/core/detect`: in how many recordings any event or time
changes, and what that does to falls told, false falls, feedings told and false feedings. Grids and units are left
alone. What changes nothing there is tried on `--more` further jar-days, half of them with ten troubles at once, and on
`--seasons` of cycles that the memory learns from, until an event differs. A constant that changes nothing in either
direction even then is one to merge or delete, unless it guards against what the set does not hold.
"""

from __future__ import annotations

import argparse
import importlib
import multiprocessing
import pkgutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import monitor.core.detect
import monitor.core.signal
from monitor.values import Event
from tests.bench import detection_ours as ours
from tests.bench import seasons
from tests.bench.detection_score import Score, score
from tests.bench.detection_set import HARSH, TUNE, Recording, recording, recordings

FACTORS = (0.8, 1.25)
# what the bins, blocks and curves are laid out by, units, and numbers that stand for "none": not judgements
LAYOUT = {
    "BIN_S", "BIN_H", "BIN_MIN", "MINUTE_S", "BLOCK_S", "TICK_S", "DAY_S", "H_S", "HOUR_S", "HOUR_BINS", "HOUR_MIN",
    "MINUTES_A_DAY", "DX", "MOST", "NOTHING", "NEVER", "ANYWHERE_MM", "NO_TIME_YET_S", "LONG_AGO_H",
}  # fmt: skip
Value = float | tuple[float, ...]
Said = tuple[tuple[str, float, float], ...]


@dataclass(frozen=True, slots=True)
class Constant:
    """A named number, or a few that belong together, and every module that holds it under that name."""

    name: str
    value: Value
    modules: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """Events of each recording, and their score."""

    events: tuple[Said, ...]
    score: Score


def constants() -> list[Constant]:
    """All float constants of the two rooms, each once, where it is defined."""
    found: dict[str, tuple[Value, list[str]]] = {}
    for room in (monitor.core.signal, monitor.core.detect):
        for info in pkgutil.iter_modules(room.__path__):
            module = importlib.import_module(f"{room.__name__}.{info.name}")
            for name, value in vars(module).items():
                if not name.isupper() or name.startswith("_") or name in LAYOUT or not _is_number(value):
                    continue
                key = f"{name}={value}"
                found.setdefault(key, (value, []))[1].append(module.__name__)
    return [Constant(key.split("=")[0], value, tuple(modules)) for key, (value, modules) in sorted(found.items())]


def _is_number(value: object) -> bool:
    if isinstance(value, tuple):
        return len(value) < 6 and all(isinstance(one, float) for one in value)
    return isinstance(value, float)


_GIVEN: list[Recording] = []
_MORE: list[tuple[Callable[[], Said], Said]] = []  # what is judged further, and what is said of it now


def _times(events: list[Event]) -> Said:
    return tuple((event.kind.value, event.happened_at_s, event.decided_at_s) for event in events)


def judged() -> Outcome:
    """The set as it is judged with the constants as they are now."""
    total = Score()
    told = []
    for given in _GIVEN:
        events = ours.events(given)
        told.append(_times(events))
        total += score(given, ours.claims(events))
    return Outcome(tuple(told), total)


def _times_factor(value: float, factor: float) -> float:
    """The value so much larger; of a probability near 1, what it lacks."""
    return 1.0 - (1.0 - value) * factor if 0.9 < value < 1.0 else value * factor


@contextmanager
def moved(constant: Constant, factor: float) -> Iterator[None]:
    """The constant so much larger, wherever it is used."""
    value = constant.value
    several = tuple(_times_factor(one, factor) for one in (value if isinstance(value, tuple) else (value,)))
    for module in constant.modules:
        setattr(sys.modules[module], constant.name, several if isinstance(value, tuple) else several[0])
    try:
        yield
    finally:
        for module in constant.modules:
            setattr(sys.modules[module], constant.name, value)


def _judged_with(job: tuple[Constant, float]) -> Outcome:
    with moved(*job):
        return judged()


def _first_changed(constant: Constant) -> int | None:
    """The first of the further recordings in which anything differs, by its number; None: in none of them."""
    for number, (judge, usual) in enumerate(_MORE, 1):
        for factor in FACTORS:
            with moved(constant, factor):
                if judge() != usual:
                    return number
    return None


def _season(one: seasons.Season) -> Said:
    cycles, _ = seasons.follow(one)
    return tuple(("season", c.off_min or 0.0, c.feed_mm or 0.0) for c in cycles)


def line(constant: Constant, usual: Outcome, outcomes: list[Outcome]) -> tuple[int, str]:
    """(recordings changed at most, the row of the table)."""
    cells = []
    most = 0
    for one in outcomes:
        changed = sum(a != b for a, b in zip(usual.events, one.events, strict=True))
        most = max(most, changed)
        was, now = usual.score, one.score
        differs = [
            f"{what} {after - before:+d}"
            for what, before, after in (
                ("falls", was.hits, now.hits),
                ("false", was.false, now.false),
                ("fed", was.told, now.told),
                ("false fed", was.false_feedings, now.false_feedings),
            )
            if after != before
        ]
        cells.append(f"{changed}" + (f" ({', '.join(differs)})" if differs else ""))
    where = constant.modules[0].rsplit(".", 1)[1]
    return most, f"| `{where}.{constant.name}` | {constant.value} | {cells[0]} | {cells[1]} |"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=float, default=12.0)
    parser.add_argument("--seasons", type=int, default=1)
    parser.add_argument("--more", type=float, default=40.0)
    parser.add_argument("--only", help="constants of this module")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    tune = [recording(seed) for seed in recordings(TUNE, args.days + args.more / 2.0)]
    few = len(recordings(TUNE, args.days))
    _GIVEN.extend(tune[:few])
    more = [recording(seed) for seed in recordings(HARSH, args.more / 2.0)] + tune[few:]
    further: list[Callable[[], Said]] = [lambda given=given: _times(ours.events(given)) for given in more]
    learnt_from = [seasons.season(seed, cycles=4) for seed in range(args.seasons)]
    further += [lambda one=one: _season(one) for one in learnt_from]
    _MORE.extend((judge, judge()) for judge in further)
    usual = judged()
    tried = [c for c in constants() if not args.only or c.modules[0].endswith("." + args.only)]
    jobs = [(constant, factor) for constant in tried for factor in FACTORS]
    with multiprocessing.get_context("fork").Pool(args.workers) as pool:
        outcomes = list(pool.imap(_judged_with, jobs))
        rows = [line(c, usual, outcomes[2 * i : 2 * i + 2]) for i, c in enumerate(tried)]
        unmoved = [c for c, (most, _) in zip(tried, rows, strict=True) if most == 0]
        numbers = list(pool.imap(_first_changed, unmoved))
    print(f"{len(_GIVEN)} recordings; {len(tried)} constants")
    print("| constant | value | changed by 0.8 | changed by 1.25 |\n|---|---|---|---|")
    for _, row in sorted((one for one in rows if one[0]), key=lambda one: -one[0]):
        print(row)
    print(f"\nNothing changes there; of {len(_MORE)} further recordings, the first that does:")
    for constant, number in zip(unmoved, numbers, strict=True):
        where = constant.modules[0].rsplit(".", 1)[1]
        print(f"- `{where}.{constant.name}` ({constant.value}): {'none' if number is None else number}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
