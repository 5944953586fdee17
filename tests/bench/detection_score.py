"""What a detector's answers are worth against the truth of a recording.

A **hit** is a claimed start of fall after the true maximum of a cycle that falls, before the next feeding. A **false**
one comes before the true maximum, in a cycle that never falls, or again in a cycle. A cycle that falls without a hit
is a **miss**. A feeding is **seen** when a `fed` lies within 20 min of it (in time of happening) and **told** when that
was also decided within 20 min. A `fed` with no feeding within 20 min is **misdated** when it speaks of a feeding that
no other one is near to (it was unseeable, or hid in a silence), else **false**: nothing was fed. Where nothing can be
asked (the recording begins in the fall, or the fall is less than a millimetre) a claim after the maximum counts as
nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import chi2

from tests.bench.detection_set import Recording, TrueCycle

NEAR_S = 20 * 60.0
SEEABLE_MM = 4.0  # a feeding that moves the surface by less looks like a lid that was lifted and set back


@dataclass(frozen=True, slots=True)
class Claims:
    """What a detector said: decision times of falls; (happened, decided) of feedings and of refined peaks."""

    falls_s: Sequence[float] = ()
    fed_s: Sequence[tuple[float, float]] = ()
    peaks_s: Sequence[tuple[float, float]] = ()


@dataclass(slots=True)
class Score:
    """Counts over recordings; add them up with `+=`. Failures are sentences."""

    days: float = 0.0
    falls: int = 0
    hits: int = 0
    missed_knowable: int = 0
    false: int = 0
    ratios: list[float] = field(default_factory=list)
    delays_s: list[float] = field(default_factory=list)
    feedings: int = 0
    seen: int = 0
    told: int = 0
    unseeable: int = 0
    misdated: int = 0
    false_feedings: int = 0
    peak_errors_s: list[float] = field(default_factory=list)
    failures: list[tuple[int, str]] = field(default_factory=list)

    def __iadd__(self, other: Score) -> Score:
        for name in self.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))
        return self


def score(recording: Recording, claims: Claims) -> Score:
    """One detector's score on one recording."""
    result = Score(days=recording.days)
    fails = result.failures

    def fail(what: str, cycle: TrueCycle | None, at_s: float) -> None:
        hours = (at_s - recording.grid_s[0]) / 3600.0
        near = [name for name, a, b in recording.marks if a - 1800.0 <= at_s <= b + 3600.0]
        shape = f"{cycle.rise}/{cycle.fall}, rise {cycle.peak_mm - cycle.start_mm:.0f} mm" if cycle else "-"
        fails.append((recording.seed, f"{what} at {hours:.2f} h ({shape}; near: {', '.join(near) or 'nothing'})"))

    for cycle in recording.cycles:
        said = sorted(t for t in claims.falls_s if cycle.begin_s <= t <= cycle.end_s)
        good = [t for t in said if t > cycle.peak_s]
        bad = [t for t in said if t <= cycle.peak_s]
        if cycle.falls is False:
            bad, good = said, []
        if cycle.falls is None:
            good = []
        for at_s in [*bad, *good[1:]]:
            fail("FALSE FALL", cycle, at_s)
        result.false += len(bad) + len(good[1:])
        if cycle.falls:
            result.falls += 1
            if good:
                result.hits += 1
                result.delays_s.append(good[0] - cycle.peak_s)
                if cycle.limit_s:
                    result.ratios.append((good[0] - cycle.peak_s) / cycle.limit_s)
            else:
                result.missed_knowable += cycle.limit_s is not None
                late = "unknowable" if cycle.limit_s is None else f"limit {cycle.limit_s / 60:.0f} min"
                fail(
                    f"MISS ({late}, fell {cycle.drop_mm:.1f} mm in {(cycle.end_s - cycle.peak_s) / 3600:.1f} h)",
                    cycle,
                    cycle.peak_s,
                )
            last = [p for p, d in claims.peaks_s if cycle.begin_s <= d <= cycle.end_s]
            if last:
                result.peak_errors_s.append(abs(last[-1] - cycle.peak_s))
        if cycle.fed:
            near = [d for h, d in claims.fed_s if abs(h - cycle.begin_s) <= NEAR_S]
            if abs(cycle.jump_mm) < SEEABLE_MM and not near:
                result.unseeable += 1
                continue
            result.feedings += 1
            result.seen += bool(near)
            result.told += any(d - cycle.begin_s <= NEAR_S for d in near)
            if not near:
                fail(f"UNSEEN FEEDING (jump {cycle.jump_mm:+.1f} mm)", cycle, cycle.begin_s)
            elif (late_s := min(near) - cycle.begin_s) > NEAR_S:
                fail(f"LATE FEEDING ({late_s / 60:.0f} min, jump {cycle.jump_mm:+.1f} mm)", cycle, cycle.begin_s)
    begins_s = [c.begin_s for c in recording.cycles]  # a `fed` at the very beginning is excused
    unnamed = [b for b in begins_s[1:] if not any(abs(h - b) <= NEAR_S for h, _ in claims.fed_s)]
    before_s = recording.grid_s[0]
    for happened_s, decided_s in sorted(claims.fed_s, key=lambda fed: fed[1]):
        if not any(abs(happened_s - b) <= NEAR_S for b in begins_s):
            meant = [b for b in unnamed if before_s <= b <= decided_s]
            result.misdated += bool(meant)
            result.false_feedings += not meant
            at = next((c for c in recording.cycles if c.begin_s <= happened_s <= c.end_s), None)
            fail(
                f"FEEDING MISDATED by {(happened_s - meant[-1]) / 60:+.0f} min" if meant else "FALSE FEEDING",
                at,
                happened_s,
            )
        before_s = decided_s
    return result


def per_100_days(count: int, days: float) -> tuple[float, float, float]:
    """A rate per 100 jar-days with its exact 95 % Poisson interval (Garwood 1936, Biometrika 28:437)."""
    low = 0.0 if count == 0 else float(chi2.ppf(0.025, 2 * count)) / 2.0
    high = float(chi2.ppf(0.975, 2 * count + 2)) / 2.0
    return tuple(100.0 * x / days for x in (float(count), low, high))  # type: ignore[return-value]


HEADER = (
    f"{'detector':34s} {'hits':>9s} {'false':>5s} {'per 100 d (95 %)':>18s} {'delay/limit p50 (p90)':>22s}"
    f" {'delay p50':>9s} {'fed seen':>10s} {'told':>6s} {'misdated':>8s} {'false fed':>9s} {'peak p50':>9s}"
)


def row(name: str, s: Score) -> str:
    """One line of the table."""
    rate, low, high = per_100_days(s.false, s.days)
    middle, most = np.percentile(s.ratios, [50, 90]) if s.ratios else (float("nan"),) * 2
    delay = f"{np.median(s.delays_s) / 60:.0f} min" if s.delays_s else "-"
    told_all = not s.feedings or (s.seen == 0 and s.misdated == 0 and s.false_feedings == 0)
    fed = f"{s.seen}/{s.feedings}", f"{s.told}", f"{s.misdated}", f"{s.false_feedings}"
    if told_all:
        fed = "given", "", "", ""
    peak = f"{np.median(s.peak_errors_s) / 60:.1f} min" if s.peak_errors_s else "-"
    return (
        f"{name:34s} {s.hits:4d}/{s.falls:4d} {s.false:5d} {f'{rate:.1f} ({low:.1f}-{high:.1f})':>18s}"
        f" {f'{middle:.2f} ({most:.2f})':>22s} {delay:>9s} {fed[0]:>10s} {fed[1]:>6s} {fed[2]:>8s} {fed[3]:>9s}"
        f" {peak:>9s}"
    )
