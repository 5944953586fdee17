"""The golden recordings' scenes: each shows one trouble that readings have. All invented.

Shapes of rise and fall come from `tests/bench/detection_curves.py`, troubles from `tests/golden_troubles.py`;
`tests/golden_making.py` turns scenes into run files and expectations, `tests/core/test_golden.py` replays them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from tests.golden_troubles import (
    Floats,
    Level,
    Trouble,
    away,
    bursts,
    codes,
    collapse,
    disorder,
    empty_cells,
    frozen,
    gap,
    looked,
    mist,
    sag,
    warmth,
    wild,
)


@dataclass(slots=True)
class Cycle:
    """One cycle as planned: hours are the culture's own at 24 degC."""

    hours: float
    start_mm: float = 50.0
    rise_mm: float = 45.0
    top_h: float = 8.0
    rise: str = "gompertz"
    fall: str = "easing"
    onset_h: float = 8.5
    sink_mm: float = 20.0
    fall_h: float = 7.0


@dataclass(slots=True)
class Scene:
    """One recording to be made. `extra` are further expected events: (kind, from_h, to_h)."""

    name: str
    shows: str
    cycles: tuple[Cycle, ...] = field(default_factory=lambda: (Cycle(20.0), Cycle(7.0, start_mm=51.0)))
    every_s: float | tuple[tuple[float, float], ...] = 180.0  # or (until_h, every_s) pieces
    white_mm: float = 0.8
    round_mm: float = 1.0
    wander_mm: float = 0.3
    wander_s: float = 900.0
    temperature_c: Callable[[Floats], Floats] | None = None  # of hours since the start
    bend: Level | None = None
    troubles: tuple[Trouble, ...] = ()
    lid_mm: float | None = 8190.0  # what is read while the lid is off; None: the feeding is too quick to be seen
    lead_h: float = 0.0  # so much of the first cycle lies before the recording
    extra: tuple[tuple[str, float, float], ...] = ()


LATER = Cycle(7.0, start_mm=51.0, rise="baranyi")
SCENES: tuple[Scene, ...] = (
    Scene("plain", "nothing wrong: a rise to nearly double, a fall, a feeding, the next rise"),
    Scene(
        "rounding", "readings rounded to 1 mm with hardly any noise to smooth the steps", white_mm=0.15, wander_mm=0.2
    ),
    Scene(
        "white-noise",
        "white noise of 3 mm",
        cycles=(Cycle(22.0, sink_mm=28.0, rise="logistic"), LATER),
        white_mm=3.0,
        every_s=120.0,
    ),
    Scene("breathing", "a surface that breathes: wander of 0.8 mm over 30 min", wander_mm=0.8, wander_s=1800.0),
    Scene(
        "wild-values",
        "single wild values, one row in seventy",
        troubles=(wild,),
        cycles=(Cycle(20.0, rise="richards"), LATER),
    ),
    Scene("codes", "out-of-range codes 0, -1, 8190 and 65535, one row in twenty-five", troubles=(codes,)),
    Scene(
        "empty-cells",
        "empty cells, one row in twelve",
        troubles=(empty_cells,),
        cycles=(Cycle(20.0, fall="linear"), LATER),
    ),
    Scene(
        "bursts",
        "bursts of wrong values for a quarter of an hour, on the way up, at the top and in the fall",
        troubles=(bursts,),
    ),
    Scene(
        "gaps",
        "no rows for 20 min, 1 h and 3 h",
        troubles=(gap(2.0, 2.33), gap(5.0, 6.0), gap(15.5, 18.5)),
        extra=(("sensor_silent", 15.5, 18.5), ("sensor_back", 18.4, 18.8)),
    ),
    Scene(
        "gap-at-peak",
        "no rows for two hours across the peak",
        troubles=(gap(7.6, 9.6),),
        cycles=(Cycle(20.0, fall="accelerating", sink_mm=25.0), LATER),
    ),
    Scene(
        "look-lower",
        "the lid is lifted to look near the top and set back 2 mm off: the level seems to sink",
        troubles=(looked(6.5, 2.0, 20.0),),
    ),
    Scene(
        "look-higher",
        "the lid is lifted to look and set back 2 mm off: the level seems to jump up",
        troubles=(looked(4.0, -2.0, 20.0),),
    ),
    Scene(
        "mist",
        "mist that comes and goes over an hour and a half: 2 mm lower on the way up, 2 mm higher later",
        troubles=(mist(6.3, 2.0), mist(17.0, -2.0)),
    ),
    Scene("frozen", "a sensor frozen for two hours on the way up", troubles=(frozen(4.0, 6.0),)),
    Scene("disorder", "doubled, late and swapped rows", troubles=(disorder,)),
    Scene(
        "window",
        "a window opened on the way up: 5 degC colder for two hours, the rise slows",
        temperature_c=warmth(3.5, 2.0, -5.0),
    ),
    Scene(
        "oven",
        "an oven lit on the way up: 5 degC warmer for two hours, the rise hastens and then slows",
        temperature_c=warmth(2.0, 2.0, 5.0),
    ),
    Scene(
        "sag", "a shallow sag of about a millimetre for an hour on the way up, then on again", bend=sag(5.0, 1.2, 1.0)
    ),
    Scene(
        "partial-collapse",
        "a sudden partial collapse of 5 mm (a ninth of the rise) on the way up, then on again",
        bend=collapse(4.2, 5.0),
        cycles=(Cycle(20.0, rise="logistic"), LATER),
    ),
    Scene(
        "start-changes",
        "a feeding after which the starting level is 15 % lower, and one after which it is 15 % higher",
        cycles=(Cycle(17.0), Cycle(17.0, start_mm=42.5, rise_mm=40.0, rise="richards"), Cycle(4.0)),
        every_s=240.0,
    ),
    Scene(
        "dead",
        "a feeding after which the starter does nothing for a day, and is then fed with nothing taken out",
        cycles=(Cycle(6.0), Cycle(26.0, rise_mm=0.4, sink_mm=0.0), Cycle(5.0, start_mm=60.0)),
        every_s=240.0,
        extra=(("stayed_flat", 6.0, 32.0),),
    ),
    Scene(
        "weak",
        "a weak starter: a rise of a quarter",
        cycles=(Cycle(24.0, rise_mm=12.5, sink_mm=6.0, fall_h=8.0, rise="baranyi"), LATER),
        every_s=120.0,
    ),
    Scene(
        "fed-early",
        "fed while it is still on its way up, before it ever falls",
        cycles=(Cycle(5.5, rise="logistic"), Cycle(18.0, start_mm=52.0)),
    ),
    Scene(
        "every-5-s",
        "a reading every 5 s around the peak of a quick rise, every 30 s before and after",
        cycles=(Cycle(4.4, top_h=1.6, onset_h=1.7, fall_h=1.6, sink_mm=25.0),),
        every_s=((1.3, 30.0), (3.1, 5.0), (4.4, 30.0)),
    ),
    Scene(
        "every-10-min",
        "a reading every 10 min: too slow to see the lid off at the feeding",
        cycles=(Cycle(21.0), Cycle(21.0, start_mm=48.0, rise="baranyi"), Cycle(5.0)),
        every_s=600.0,
        lid_mm=None,
    ),
    Scene(
        "sampling-changes",
        "a reading every 30 s, then every 10 min, then every minute",
        every_s=((4.0, 30.0), (11.0, 600.0), (27.0, 60.0)),
    ),
    Scene(
        "two-days",
        "two days without a feeding",
        cycles=(Cycle(48.0, fall="relaxing", sink_mm=30.0), Cycle(4.0)),
        every_s=300.0,
    ),
    Scene(
        "mid-cycle",
        "the first start is in the middle of a rise",
        lead_h=3.5,
        cycles=(Cycle(20.0, rise="weibull"), LATER),
    ),
    Scene("quick-hands", "a feeding so quick that no reading shows the lid off", lid_mm=None),
    Scene(
        "away",
        "the jar is taken away for an hour in the fall and put back",
        troubles=(away(14.0, 15.0),),
        extra=(("jar_away", 13.9, 15.0), ("jar_back", 14.9, 15.4)),
    ),
)
