"""The feeding sheet: all jars that are due in the next hours, in the order to feed them, with grams and sums.

Pure: from what is believed about each jar and what it is usually fed. The command and the page show it. It plans no new
ratio (`feeding` does that, jar by jar): somebody who feeds twenty jars in a row weighs out what was settled before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import median

from monitor.values import H_S, Cycle, Feeding, Stage

TOGETHER_S = 1800.0  # jars of a group due within this are fed one after another: one tub of flour at hand
GRACE_SHARE = 0.2  # of the time since feeding: sinking that long does a starter no harm (common practice, no source)
MINUTE_A_JAR = 3.0  # take out, weigh in, stir, mark, by a practised hand (common practice, no source)
USUAL_OF = 5  # "as usual" is taken from this many of the last reported feedings
NAMED = 3  # jars in one line; more are counted
AHEAD_H = 1.0  # a jar that is this much before or after its usual hour deserves a word
NOT_FED = (Stage.RESTING, Stage.AWAY)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetJar:
    """What the sheet needs to know about one jar. Times in Unix seconds, None for what is not known."""

    name: str
    stage: Stage
    fed_at_s: float | None
    fall_at_s: float | None  # seen
    expected_fall_s: float | None
    group: str | None = None
    usual: Feeding | None = None  # None: never reported
    cycle_h: float = 24.0  # when it is due with no forecast
    flour: str | None = None  # the config's, where no feeding said which
    condemned: bool = False  # something was noted that sends it into the bin


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One jar to feed: it is due from `due_s` on, and nothing is lost until `by_s`. `ahead_h` is how long before the
    end of its usual cycle it is due (negative: after it); None where no feeding is known."""

    jar: str
    group: str | None
    stage: Stage
    due_s: float
    by_s: float
    feeding: Feeding | None
    now: bool
    ahead_h: float | None = None
    overdue_h: float = 0.0

    @property
    def ahead_words(self) -> str:
        """Like "11 h overdue", or of what is due later "3 h sooner than usual"; empty about its usual hour, or where
        that is not known."""
        if self.now:
            return f"{self.overdue_h:.0f} h overdue" if self.overdue_h >= AHEAD_H else ""
        if self.ahead_h is None or abs(self.ahead_h) < AHEAD_H:
            return ""
        return f"{abs(self.ahead_h):.0f} h {'sooner' if self.ahead_h > 0 else 'later'} than usual"


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A jar that is not on the sheet, and why: "resting", "away", "due later", "just fed" or "goes into the bin"."""

    jar: str
    why: str
    due_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """Rows in the order to feed them. `wave` are those due now or, where none is, those due together with the first:
    `begin_by_s` is when to begin with them so that none is fed too late, at `MINUTE_A_JAR` each, and `done_by_s` when
    the last of them is done then. Sums in grams; flour by its kind ("" where nobody said)."""

    rows: tuple[Row, ...]
    waiting: tuple[Waiting, ...]
    wave: tuple[str, ...]
    begin_by_s: float | None
    done_by_s: float | None
    flour_g: dict[str, float]
    water_g: float
    starter_g: float
    untold: tuple[str, ...]  # jars whose grams nobody ever reported: not in the sums


def usual_feeding(cycles: Sequence[Cycle]) -> Feeding | None:
    """What a jar is usually fed: the median weights of the last few feedings that were reported; the flour of the last.

    None when no feeding was ever reported with all its grams.

    >>> from monitor.values import of_grams
    >>> told = Cycle(jar="a", number=0, fed_at_s=0.0, told=True, feeding=of_grams((20, 100, 80), "rye"))
    >>> usual_feeding([told])
    Feeding(starter_g=20, flour_g=100, water_g=80, flour='rye')
    """
    whole = [cycle.feeding for cycle in cycles if cycle.feeding.grams is not None][-USUAL_OF:]
    if not whole:
        return None
    starter_g, flour_g, water_g = (median(weights) for weights in zip(*(one.grams or () for one in whole), strict=True))
    return Feeding(starter_g=starter_g, flour_g=flour_g, water_g=water_g, flour=whole[-1].flour)


# branches: a field a line
def sheet(jars: Iterable[SheetJar], now_s: float, hours: float = 12.0) -> Sheet:
    """The jars due within `hours`, those already sinking first; a group's jars due about together stay together."""
    rows: list[Row] = []
    waiting: list[Waiting] = []
    for jar in jars:
        due_s = _due_s(jar)
        if jar.condemned:
            waiting.append(Waiting(jar=jar.name, why="goes into the bin", due_s=None))
            continue
        if jar.stage in NOT_FED or due_s is None or due_s > now_s + hours * H_S:
            waiting.append(Waiting(jar=jar.name, why=_why(jar.stage, due_s), due_s=due_s))
            continue
        fed_s = due_s if jar.fed_at_s is None else jar.fed_at_s
        rows.append(
            Row(
                jar=jar.name,
                group=jar.group,
                stage=jar.stage,
                due_s=due_s,
                by_s=due_s + GRACE_SHARE * max(due_s - fed_s, 0.0),
                feeding=_with_flour(jar),
                now=due_s <= now_s,
                overdue_h=max(now_s - due_s, 0.0) / H_S,
                ahead_h=None if jar.fed_at_s is None else jar.cycle_h - (due_s - jar.fed_at_s) / H_S,
            )
        )
    ordered = _grouped(sorted(rows, key=lambda row: (row.due_s, row.jar)))
    each_s = 60.0 * MINUTE_A_JAR
    wave = [row for row in ordered if row.now] or [row for row in ordered if row.due_s <= ordered[0].due_s + TOGETHER_S]
    starts = [row.by_s - each_s * (place + 1) for place, row in enumerate(wave)]
    begin_s = min(starts, default=None)
    fed = [row.feeding for row in ordered if row.feeding is not None]
    flour_g: dict[str, float] = {}
    for one in fed:
        flour_g[one.flour or ""] = flour_g.get(one.flour or "", 0.0) + (one.flour_g or 0.0)
    return Sheet(
        rows=tuple(ordered),
        waiting=tuple(sorted(waiting, key=lambda one: (one.due_s is None, one.due_s or 0.0, one.jar))),
        wave=tuple(row.jar for row in wave),
        begin_by_s=None if begin_s is None else max(begin_s, now_s),
        done_by_s=None if begin_s is None else max(begin_s, now_s) + each_s * len(wave),
        flour_g=flour_g,
        water_g=sum(one.water_g or 0.0 for one in fed),
        starter_g=sum(one.starter_g or 0.0 for one in fed),
        untold=tuple(row.jar for row in ordered if row.feeding is None),
    )


def when_words(made: Sheet, hours: float, clock: Callable[[float], str]) -> str:
    """How many jars there are to feed, which of them first, and from when to when; `clock` says a time."""
    if made.begin_by_s is None or made.done_by_s is None:
        return f"Nothing is due within {hours:g} h."
    count, some = len(made.rows), len(made.wave)
    begin = f"egin by {clock(made.begin_by_s)}, be done by {clock(made.done_by_s)}."
    whole = f"{count} jar{'s' if count > 1 else ''} to feed within {hours:g} h."
    if some == count:
        return f"{whole} B{begin}"
    names = ", ".join(made.wave) if some <= NAMED else f"{some} of them"
    return f"{whole} {names} {'now' if made.rows[0].now else 'first'}: b{begin}"


def _with_flour(jar: SheetJar) -> Feeding | None:
    return None if jar.usual is None else replace(jar.usual, flour=jar.usual.flour or jar.flour)


def _due_s(jar: SheetJar) -> float | None:
    """When it needs feeding: at its start of fall, seen or expected; else its cycle's length after the last feeding."""
    if jar.fall_at_s is not None:
        return jar.fall_at_s
    if jar.expected_fall_s is not None:
        return jar.expected_fall_s
    return None if jar.fed_at_s is None else jar.fed_at_s + jar.cycle_h * H_S


def _why(stage: Stage, due_s: float | None) -> str:
    if stage in NOT_FED:
        return stage.value
    if due_s is None:
        return "not watched long enough"
    return "just fed" if stage is Stage.SETTLING else "due later"


def _grouped(rows: list[Row]) -> list[Row]:
    """The rows, each followed by the others of its group that are due within `TOGETHER_S` of it."""
    left, out = list(rows), []
    while left:
        first = left.pop(0)
        out.append(first)
        if first.group is None:
            continue
        beside = [row for row in left if row.group == first.group and row.due_s - first.due_s <= TOGETHER_S]
        out += beside
        left = [row for row in left if row not in beside]
    return out
