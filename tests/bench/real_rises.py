"""The model of a starter against what bakers measured: `python -m tests.bench.real_rises`.

Each line of `real_rises.csv` (its sources: `real_rises.md`) is predicted without history: whether it lies in the 90 %
range, how far it is off (bias of ln hours) and by how many of the range's own standard deviations (z), by grade and by
quantity. Then bakers' pairs of temperatures, and each baker's later feedings predicted after one to three earlier ones.
How the quantities are read: a `peak` is the first touch of the top; `ripe` its highest point; `double` comes at
`DOUBLED` of the way to the top, as a rise to 2.3 times does that is slow at first; `fallen` is sunk half-way back.
"""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from monitor.core.forecast import beliefs, peak_time, timing
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.peak_time import Hours
from monitor.core.forecast.starter_model import Culture
from monitor.values import Cycle, Feeding, of_grams

CSV = Path(__file__).with_name("real_rises.csv")
DOUBLED = 0.82  # of the way to the first touch of the top
SD_IN_RANGE = 2 * 1.645  # standard deviations of a normal in its 90 % range
WARMS_H = 1.5  # time constant of a jar in air (Newton's law, 225 g of dough in glass: one to two hours)

FRIDGE = ("sde", "p")  # bakers who keep their starter in the fridge between its feedings

# Hours at one temperature over those at another, of the same feeding by the same baker (sde), of the same recipe by
# others (forkish-eib): the sources are those of the table.
PAIRS = (
    ("sde", 20.0, 26.8, 1.8),
    ("sde", 23.0, 26.8, 1.55),
    ("forkish-eib", 18.5, 27.5, 2.0),
    ("forkish-eib", 32.0, 27.5, 0.58),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise:
    """One line of the table."""

    id: str
    baker: str
    grade: str
    what: str
    feeding: Feeding
    temperatures_c: tuple[float, ...]
    came_h: float  # the middle of what was said, of its logarithms


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A line beside what was predicted of it."""

    rise: Rise
    said: Hours

    @property
    def inside(self) -> bool:
        """Whether it lies in the 90 % range."""
        return self.said.earliest <= self.rise.came_h <= self.said.latest

    @property
    def off_ln(self) -> float:
        """ln of what was predicted over what came."""
        return math.log(self.said.likely / self.rise.came_h)

    @property
    def z(self) -> float:
        """How far off it is, in the range's own standard deviations."""
        return -self.off_ln / (math.log(self.said.latest / self.said.earliest) / SD_IN_RANGE)


def table() -> list[Rise]:
    """The lines of the table, in its order."""
    with CSV.open(encoding="utf-8", newline="") as lines:
        return [_rise(row) for row in csv.DictReader(lines)]


def _rise(row: dict[str, str]) -> Rise:
    room_c = float(row["t_c"])
    start_c = float(row["start_c"]) if row["start_c"] else room_c
    temperatures_c = tuple(room_c + (start_c - room_c) * math.exp(-(hour + 0.5) / WARMS_H) for hour in range(12))
    starter_g, flour_g, water_g = (float(row[name]) for name in ("starter", "flour", "water"))
    return Rise(
        id=row["id"],
        baker=row["baker"],
        grade=row["grade"],
        what=row["what"],
        feeding=of_grams((starter_g, flour_g, water_g), row["flour_kind"]),
        temperatures_c=temperatures_c,
        came_h=math.sqrt(float(row["h_lo"]) * float(row["h_hi"])),
    )


def predicted(culture: Culture, rise: Rise) -> Hours:
    """What the model says of that moment."""
    fed = rise.feeding
    outcome = starter_models.predict(culture, rise.temperatures_c, fed.dilution, fed.hydration, fed.flour)
    ahead = peak_time.hours_ahead(outcome, rise.temperatures_c)
    if rise.what == "double":
        return Hours(*(DOUBLED * hours for hours in ahead.top_h))
    return {"peak": ahead.top_h, "ripe": ahead.peak_h, "fall": ahead.fall_h, "fallen": ahead.half_sunk_h}[rise.what]


def judged(rises: Sequence[Rise]) -> list[Judged]:
    """Each line beside what is predicted without history."""
    return [Judged(rise=rise, said=predicted(starter_models.prior(), rise)) for rise in rises]


def z_rms(some: Sequence[Judged]) -> float:
    """Root of the mean square of z: one where ranges are as wide as they should be."""
    return math.sqrt(sum(one.z**2 for one in some) / len(some))


def _rms(some: Sequence[Judged]) -> float:
    return math.sqrt(sum(one.off_ln**2 for one in some) / len(some))


def bias(some: Sequence[Judged]) -> float:
    """Mean of ln(predicted over came)."""
    return sum(one.off_ln for one in some) / len(some)


def left_out(rises: Sequence[Rise]) -> list[Judged]:
    """Each baker's lines by a prior that never saw that baker: its hours are set by the others', each baker as one
    (the mean of what their lines are off)."""
    usual = starter_models.prior()
    off = {baker: bias([one for one in judged(rises) if one.rise.baker == baker]) for baker in _bakers(rises)}
    out = []
    for baker in off:
        others = [ln for other, ln in off.items() if other != baker]
        moved = replace(usual, bank=beliefs.shifted(usual.bank, -sum(others) / len(others)))
        out += [Judged(rise=rise, said=predicted(moved, rise)) for rise in rises if rise.baker == baker]
    return out


def _bakers(rises: Sequence[Rise]) -> list[str]:
    return list(dict.fromkeys(rise.baker for rise in rises))


def at_room(rises: Sequence[Rise]) -> list[Rise]:
    """The lines whose dough was mixed warmer or colder than the room, as if nobody had said so."""
    return [
        replace(rise, temperatures_c=rise.temperatures_c[-1:])
        for rise in rises
        if abs(rise.temperatures_c[0] - rise.temperatures_c[-1]) > 1.0
    ]


def pair_errors(culture: Culture) -> list[tuple[str, float, float, float]]:
    """For each pair: whose, the measured ratio of hours, the predicted one, ln of the latter over the former."""

    def likely_h(c: float) -> float:
        return peak_time.hours_ahead(starter_models.predict(culture, (c,), 9.0, 1.0), (c,)).top_h.likely

    out = []
    for who, one_c, other_c, measured in PAIRS:
        said = likely_h(one_c) / likely_h(other_c)
        out.append((f"{who} {one_c:g} over {other_c:g} degC", measured, said, math.log(said / measured)))
    return out


def feedings_of(baker: str, rises: Sequence[Rise]) -> list[list[Rise]]:
    """A baker's lines, those of one feeding together."""
    groups: dict[tuple[Feeding, tuple[float, ...]], list[Rise]] = defaultdict(list)
    for rise in rises:
        if rise.baker == baker:
            groups[rise.feeding, rise.temperatures_c].append(rise)
    return list(groups.values())


def learnt(culture: Culture, feeding: Sequence[Rise], number: int) -> Culture:
    """After one feeding of a baker, by what is known of its hours."""
    hours = {rise.what: rise.came_h for rise in feeding}
    fall_h = hours.get("fall")
    touch_h = hours.get("peak", hours["double"] / DOUBLED if "double" in hours else None)
    highest_h = hours.get("ripe", None if touch_h is None else timing.highest_h(touch_h, fall_h))
    fed_at_s = 3 * 86400.0 * number
    fed = feeding[0].feeding
    return starter_models.learn(
        culture,
        Cycle(
            jar="x", number=number, fed_at_s=fed_at_s, feeding=fed,
            peak_at_s=None if highest_h is None else fed_at_s + 3600.0 * highest_h,
            fall_at_s=None if fall_h is None else fed_at_s + 3600.0 * fall_h,
            temperatures_c=feeding[0].temperatures_c,
        ),
    )  # fmt: skip


def next_ones(rises: Sequence[Rise]) -> list[tuple[int, Judged, Judged]]:
    """Each baker's later feedings: how many were learnt before, and the line predicted from them and without them."""
    out = []
    for baker in _bakers(rises):
        culture = starter_models.prior()
        for number, feeding in enumerate(feedings_of(baker, rises)):
            if number:
                out += [
                    (number, Judged(rise=rise, said=predicted(culture, rise)), judged([rise])[0]) for rise in feeding
                ]
            culture = learnt(culture, feeding, number)
    return out


def report() -> None:
    """Print it all."""
    lines = judged(table())
    print(f"{'line':19} {'grade':5} {'what':7} came h   predicted h            z")
    for one in lines:
        low, likely, high = one.said
        out = "" if one.inside else "  outside"
        print(
            f"{one.rise.id:19} {one.rise.grade:5} {one.rise.what:7} {one.rise.came_h:5.1f}  {likely:5.1f} "
            f"({low:4.1f} to {high:4.1f}) {one.z:6.2f}{out}"
        )
    groups = {"all": lines}
    for grade in "ABC":
        groups[f"grade {grade}"] = [one for one in lines if one.rise.grade == grade]
    for what in dict.fromkeys(one.rise.what for one in lines):
        groups[what] = [one for one in lines if one.rise.what == what]
    print(f"\n{'':8} {'n':>3} inside  z rms   bias")
    for name, some in groups.items():
        print(f"{name:8} {len(some):3} {sum(o.inside for o in some):6} {z_rms(some):6.2f} {bias(some):6.2f}")
    unseen = left_out(table())
    inside = sum(one.inside for one in unseen)
    print(
        f"each baker by a prior set on the others: {inside} of {len(unseen)} inside, z rms {z_rms(unseen):.2f}, "
        f"bias {bias(unseen):+.2f}"
    )
    without = judged(at_room(table()))
    with_them = [one for one in lines if one.rise.id in {other.rise.id for other in without}]
    print(
        f"{len(without)} doughs mixed warmer or colder than the room, rms of ln off with that told and without: "
        f"{_rms(with_them):.2f} and {_rms(without):.2f}"
    )
    cold = [one for one in lines if one.rise.baker in FRIDGE]
    shift = sum(math.log(one.rise.came_h / one.said.likely) for one in cold) / len(cold)
    print(
        f"{len(cold)} lines of {len(FRIDGE)} bakers whose seed comes from the fridge: they take {math.exp(shift):.2f} "
        f"times the predicted hours; rms of ln off {_rms(cold):.2f}"
    )
    print("\npairs of temperatures, hours over hours: measured, predicted without history")
    errors = pair_errors(starter_models.prior())
    for name, measured, said, _ in errors:
        print(f"{name:31} {measured:.2f} {said:.2f}")
    for some, name in ((errors, "all"), ([e for e in errors if e[0].startswith("sde")], "of one baker")):
        print(f"rms of ln ratio, {name}: {math.sqrt(sum(e[-1] ** 2 for e in some) / len(some)):.2f}")
    print("\nthe same baker's next feedings: learnt before, off (ln) with and without them, inside with and without")
    later = next_ones(table())
    for number, with_them, without in later:
        print(
            f"{with_them.rise.id:19} {number}  {with_them.off_ln:5.2f} {without.off_ln:5.2f}  "
            f"{with_them.inside!s:5} {without.inside}"
        )
    for name, some in (("with", [w for _, w, _ in later]), ("without", [w for _, _, w in later])):
        inside = sum(one.inside for one in some)
        print(f"{name:8} rms of ln {_rms(some):.2f}, inside {inside} of {len(some)}, z rms {z_rms(some):.2f}")


if __name__ == "__main__":
    report()
