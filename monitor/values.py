"""The frozen values passed between stages. Imports nothing of ours; everything else imports this.

Units are in the names. `time_s` is Unix seconds, UTC, everywhere; local time exists only where a person reads it.
There are three kinds of nothing: a missing value is `None`, a bad one is a `Rejected` with its reason, zero is zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from enum import StrEnum
from math import floor, log10
from typing import Any, TypeAlias

H_S = 3600.0
"""Seconds of an hour."""

DAY_S = 86_400.0
"""Seconds of a day in Unix time, which knows no leap seconds (POSIX.1-2017, section 4.16)."""

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"


# --- a feeding -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Feeding:
    """What was, or is to be, weighed: starter kept, flour and water added. Grams that nobody told are None."""

    starter_g: float | None = None
    flour_g: float | None = None
    water_g: float | None = None
    flour: str | None = None

    @property
    def grams(self) -> tuple[float, float, float] | None:
        """Starter, flour, water; None unless all three are known."""
        if self.starter_g is None or self.flour_g is None or self.water_g is None:
            return None
        return self.starter_g, self.flour_g, self.water_g

    @property
    def weights(self) -> dict[str, float | None]:
        """The three weights by name, as every JSON of ours has them; None for what is unknown."""
        return {"starter_g": self.starter_g, "flour_g": self.flour_g, "water_g": self.water_g}

    @property
    def weighed(self) -> bool:
        """Whether anything at all was told of its weights."""
        return any(grams is not None for grams in self.weights.values())

    @property
    def total_g(self) -> float | None:
        """What is in the jar after it."""
        return None if self.grams is None else sum(self.grams)

    @property
    def dilution(self) -> float | None:
        """Total over starter kept: 25 + 100 + 100 g gives 9. None when a weight is unknown or there is no starter."""
        if self.grams is None or self.grams[0] <= 0.0:
            return None
        return sum(self.grams) / self.grams[0]

    @property
    def hydration(self) -> float | None:
        """Water over flour of what is added. None when either is unknown or zero."""
        return self.water_g / self.flour_g if self.water_g and self.flour_g else None

    @property
    def ratio(self) -> str | None:
        """starter:flour:water with the starter as one. None when a weight is unknown or there is no starter (a first
        mix has no ratio).

        >>> Feeding(starter_g=25.0, flour_g=100.0, water_g=100.0).ratio
        '1:4:4'
        """
        if self.grams is None or self.grams[0] <= 0.0:
            return None
        starter_g, *added_g = self.grams
        return ":".join(["1", *(_share(part_g / starter_g) for part_g in added_g)])

    def completed_by(self, before: Feeding) -> Feeding:
        """What it leaves out is as it was before."""
        told = {name: part for name in FEEDING if (part := getattr(self, name)) is not None}
        return replace(before, **told)


UNTOLD = Feeding()
"""A feeding of which nothing is known but that it was."""

FEEDING = tuple(field.name for field in fields(Feeding))


def of_grams(grams: tuple[float | None, float | None, float | None], flour: str | None = None) -> Feeding:
    """The feeding that weighs this much: starter, flour, water."""
    starter_g, flour_g, water_g = grams
    return Feeding(starter_g=starter_g, flour_g=flour_g, water_g=water_g, flour=flour)


def flat(value: object) -> dict[str, Any]:
    """A frozen value's fields, its feeding's among them in their place: so both are stored and printed. (`asdict`
    copies each field deeply, which takes ten times as long.)

    >>> flat(Fed(time_s=0.0, jar="rye", feeding=of_grams((25.0, 100.0, 80.0))))["water_g"]
    80.0
    """
    out: dict[str, Any] = {}
    for one in fields(value):  # type: ignore[arg-type]
        part = getattr(value, one.name)
        out |= flat(part) if isinstance(part, Feeding) else {one.name: part}
    return out


def unflat(body: Mapping[str, Any]) -> dict[str, Any]:
    """What `flat` gave, with the feeding as a value again: all that a frozen value is made of."""
    rest = {name: part for name, part in body.items() if name not in FEEDING}
    return rest | {"feeding": Feeding(**{name: body[name] for name in FEEDING if name in body})}


def with_usual(fed: Feeding, usual: Feeding) -> Feeding:
    """A feeding of which only some grams were told, the rest as usual: as wet as usual where only the flour or only the
    water is known. As it is where nothing was told of it, or where the usual is not known whole.

    >>> usual = Feeding(starter_g=25.0, flour_g=100.0, water_g=80.0)
    >>> with_usual(Feeding(flour_g=200.0), usual).grams
    (25.0, 200.0, 160.0)
    """
    if fed.grams is not None or usual.grams is None or not fed.weighed:
        return fed
    starter_g, flour_g, water_g = usual.grams
    wet = usual.hydration
    if fed.flour_g is not None and wet is not None:
        flour_g, water_g = fed.flour_g, fed.flour_g * wet
    elif fed.water_g and wet is not None:
        flour_g = fed.water_g / wet
    return Feeding(
        starter_g=starter_g if fed.starter_g is None else fed.starter_g,
        flour_g=flour_g if fed.flour_g is None else fed.flour_g,
        water_g=water_g if fed.water_g is None else fed.water_g,
        flour=fed.flour,
    )


def _share(of_starter: float) -> str:
    """To a tenth, and below one to two figures: 4, 1.5, 0.02."""
    if not 0.0 < of_starter < 1.0:
        return f"{round(of_starter, 1):g}"
    text = f"{of_starter:.{1 - floor(log10(of_starter))}f}"
    return text.rstrip("0").removesuffix(".")


# --- what comes in -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What a device says, at `time_s`. Exactly one of distance and echo is given, or neither (temperature only)."""

    time_s: float
    jar: str
    distance_mm: float | None = None
    echo_us: float | None = None
    temperature_c: float | None = None
    air_c: float | None = None
    humidity_pct: float | None = None


MEASURED = tuple(field.name for field in fields(Reading) if field.name not in ("time_s", "jar"))
"""What a reading may hold beside its time and jar, each with its unit in its name: a column of the store and of a run
file each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A point of the fixed 60 s UTC grid: time passed. Never stored; made between items in replay and restart."""

    time_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fed:
    """The person says: fed at `time_s`.

    `flour_lot` is given if it is not the open lot (`runs.lots`), `seed` if the starter kept was not the jar's own:
    another jar's name, or a lot. `by` is who says so, as a name typed once on a device. `corrects_s`: in place of all
    that was known of the feeding of that time.
    """

    time_s: float
    jar: str
    feeding: Feeding = UNTOLD
    flour_lot: str | None = None
    seed: str | None = None
    by: str | None = None
    corrects_s: float | None = None


class Noting(StrEnum):
    """What a person can note about a jar. The first group changes what is watched for, the second is the notebook."""

    REST = "rest"  # put to rest (fridge), until REST_OVER or the readings show it is out again
    REST_OVER = "rest_over"
    AWAY = "away"
    BACK = "back"
    STIRRED = "stirred"  # stirred down, not fed
    TAKEN = "taken"  # some ripe starter taken to bake, not fed
    NEW_RUN = "new_run"  # another jar or place from here on, the same starter: what was learnt of it stays
    NEW_STARTER = "new_starter"  # another starter from here on: nothing learnt or noted of the old one counts
    SNOOZE = "snooze"  # text: hours, as a number

    BEGUN = "begun"  # when the starter was begun: a date, "old" or "dried"
    HOOCH = "hooch"
    MOULD = "mould"  # or pink, orange or black streaks: throw it away
    SMELL = "smell"
    SOUR = "sour"  # the bread was too sour
    MILD = "mild"  # or too mild
    FLOAT_TEST = "float_test"
    BAKED = "baked"
    DISCARD = "discard"  # text: kept, used or thrown, and grams
    REMARK = "remark"


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """The person notes something about a jar at `time_s`; `by` is who says so."""

    time_s: float
    jar: str
    what: Noting
    text: str = ""
    by: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenBack:
    """The person says at `time_s` that something was a mistake: everything is judged as if it had never been. The
    report or event stays in the store.

    Alone, `seq` is the item that was told by mistake. With more, it is the place in the order of arrival from which on
    all is judged again: `event` was seen and was none ("fed@1772409600"; of several, a space between), `told` are items
    told by mistake with it, and `instead` is what is true, as if it had been told there.
    """

    time_s: float
    jar: str
    seq: int
    event: str | None = None
    told: tuple[int, ...] = ()
    instead: Fed | None = None

    @property
    def mistakes(self) -> tuple[int, ...]:
        """The items that were told by mistake."""
        return (self.seq,) if self.event is None and self.instead is None else self.told


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockSet:
    """The daemon's wall clock was stepped by `offset_s` (new minus old); `time_s` is the new time. What was stamped
    before `since_s` (in the old time) was stamped by another clock and stays as it is: see `clock_step.py`."""

    time_s: float
    offset_s: float
    since_s: float = 0.0


Item: TypeAlias = Reading | Tick | Fed | Noted | TakenBack | ClockSet


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """A reading as a source hands it to the daemon's queue.

    `received_s` is the daemon's wall clock at receipt. `boot` and `seq` come from the device and tell duplicates apart.
    `timed` is False when nothing on the message says when it was measured, so `reading.time_s` is the time of receipt;
    `again` is True when the broker may have delivered this message before or held it for any while, `dup` when it says
    itself that it has sent it before (MQTT 5.0, section 3.3.1.1). `token` is the source's own handle for the
    acknowledgement, given back to `Source.acknowledge` once the reading is committed.
    """

    source: str
    received_s: float
    reading: Reading
    boot: str | None = None
    seq: int | None = None
    timed: bool = False
    again: bool = False
    dup: bool = False
    token: object = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejected:
    """Something that came in and cannot be a reading. `reason` is the key of `core.display.refusals` by which it is
    counted; `detail` shows what came, shortened. `jar` is None when not even that is known. `count` is how many alike
    it stands for: a wrong baud rate makes a hundred a second, and they are put together."""

    source: str
    received_s: float
    reason: str
    detail: str = ""
    jar: str | None = None
    token: object = None
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """An item as stored: `seq` is its place in the order of arrival, `received_s` the running time at its arrival
    (it goes back only where the clock was set back, and all grid ticks up to it are stepped before the item)."""

    seq: int
    received_s: float
    item: Reading | Fed | Noted | TakenBack | ClockSet


# --- jars ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Straight:
    """A jar with a straight wall. Without a diameter volumes in ml are unknown, but the rise ratio is not."""

    diameter_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tapered:
    """A frustum: inner diameters at the inside bottom and at `height_mm` above it."""

    bottom_diameter_mm: float
    top_diameter_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VolumeTable:
    """Measured (height_mm, volume_ml) points, both strictly rising; the inside bottom (0, 0) is implied."""

    points: tuple[tuple[float, float], ...]


Geometry: TypeAlias = Straight | Tapered | VolumeTable


# --- what is believed ----------------------------------------------------------------------------------------------


class Stage(StrEnum):
    """Where a cycle is."""

    UNKNOWN = "unknown"
    SETTLING = "settling"
    RISING = "rising"
    PEAKED = "peaked"
    FALLING = "falling"
    FLAT = "flat"
    RESTING = "resting"
    AWAY = "away"


RESTS_BELOW_C = 10.0
"""A jar that stays colder than this rests: between a fridge (up to 8 degC) and a cold kitchen (14 degC)."""


class EventKind(StrEnum):
    """What can be decided about a jar. The names are a fixed contract (`jartide replay`, which never prints the last:
    a file of feedings has nothing that was taken back)."""

    FED = "fed"
    RISE_BEGAN = "rise_began"
    PEAK_REACHED = "peak_reached"
    FALL_BEGAN = "fall_began"
    STAYED_FLAT = "stayed_flat"
    LID_OFF = "lid_off"
    LID_ON = "lid_on"
    DISTURBED = "disturbed"
    JAR_AWAY = "jar_away"
    JAR_BACK = "jar_back"
    REST_BEGAN = "rest_began"
    REST_ENDED = "rest_ended"
    SENSOR_SILENT = "sensor_silent"
    SENSOR_BACK = "sensor_back"
    FORECAST = "forecast"
    TAKEN_BACK = "taken_back"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something decided: when it happened, and when it could be known (`decided_at_s` never goes back)."""

    kind: EventKind
    jar: str
    happened_at_s: float
    decided_at_s: float
    evidence: Mapping[str, Json] = field(default_factory=dict)
    replaces: str | None = None  # "kind@happened_at" of earlier events that a telling made wrong, a space between


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One believed height of the surface above the inside bottom, and what follows from it.

    `level_mm` is None only when the empty distance is unknown; `fall_mm` (distance, growing as the surface sinks) is
    always there. `rise_ratio` is None until a starting level exists.
    """

    time_s: float
    distance_mm: float
    level_mm: float | None
    sd_mm: float
    volume_ml: float | None
    rise_ratio: float | None
    rise_ratio_sd: float | None
    temperature_c: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A time with its 90 % range."""

    earliest_s: float
    likely_s: float
    latest_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """When the peak and the start of fall are expected, as of `made_at_s`; None where that has already happened."""

    made_at_s: float
    peak_at: Span | None
    fall_at: Span | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """From one feeding to the next (or to now), in the few numbers that anyone asks of it. Times in Unix seconds.

    `temperatures_c` are hourly means from the feeding on (None: no reading in that hour), up to 72. `sure` is False
    when the feeding was only inferred from an unexplained drop: nothing is learnt from it.
    """

    jar: str
    number: int
    fed_at_s: float
    told: bool = False
    sure: bool = True
    feeding: Feeding = UNTOLD
    peak_at_s: float | None = None
    peak_ratio: float | None = None
    fall_at_s: float | None = None
    ended_at_s: float | None = None
    temperatures_c: tuple[float | None, ...] = ()
    rested: bool = False
    above_double_h: float | None = None  # hours that the rise ratio stood at 2 or above, once closed
    rise_at_s: float | None = None  # when it began to rise
    about_s: tuple[float, float] | None = None  # nothing shows when it was fed, only that it was within these
    reached_ratio: float | None = None  # at least so high it rose, where it was fed before its peak
    smoothed: bool = False  # peak, rise and fall are the smoother's, which saw the whole cycle, not as decided then

    @property
    def fed_known(self) -> bool:
        """Whether its feeding is known, told or seen. Watching may have begun in the middle of the first cycle."""
        return self.told or self.number > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleSoFar:
    """The open cycle as the forecast sees it: `curve` holds (hours since feeding, rise ratio, its spread), thinned to
    at most 256 points evenly spread in time; the cycle's own numbers and hourly temperatures are in `cycle`."""

    cycle: Cycle
    now_s: float
    stage: Stage
    curve: tuple[tuple[float, float, float], ...]
    temperature_c: float | None
    room_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Instead:
    """What can be done where no feeding meets a wish: in words, with the hours from its feeding to the start of fall
    (earliest, likely, latest) as the forecast has them. `place_c` where it means another place, `times` how often it
    is fed in the wanted time."""

    do: str
    hours_to_fall: tuple[float, float, float]
    because: str
    feeding: Feeding | None = None
    place_c: float | None = None
    times: int = 1


class Unmet(StrEnum):
    """Why a plan does not do what was wished: the key to decide by; the words for people are `FeedPlan.because`."""

    TOO_EXTREME = "too_extreme"  # in such cold or heat nothing useful rises
    LAWS_DIFFER = "laws_differ"  # no hour can be promised at that temperature
    DOES_NOT_FIT = "does_not_fit"  # its grams: too much for the jar, too little for the bake, not what may be kept
    OUT_OF_REACH = "out_of_reach"  # no ratio within the bounds takes that long, or is that quick


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedPlan:
    """The next feeding, with the hours that it should take (earliest, likely, latest; 90 %). In whole grams, unless the
    person gave them: then `met` is None, as nothing was wished for."""

    feeding: Feeding
    hours_to_peak: tuple[float, float, float]
    hours_to_fall: tuple[float, float, float]
    hours_to_half_sunk: tuple[float, float, float]
    hours_to_highest: tuple[float, float, float]  # the peak's fitted highest point; `hours_to_peak` is its first touch
    met: bool | None
    because: str
    unmet: Unmet | None = None  # where `met` is False
    instead: tuple[Instead, ...] = ()
    discard_g: int | None = None
    caution: str | None = None  # where a kitchen scale cannot weigh what is kept well enough
    least_jar_ml: int | None = None  # with the highest rise that is expected, it does not run over
    at_night: bool = False  # its baker would have to get up for it; then `by_day` does without, where anything does
    by_day: Instead | None = None

    @property
    def grams(self) -> tuple[float, float, float]:
        """Starter, flour, water: a plan has all three."""
        grams = self.feeding.grams
        assert grams is not None
        return grams


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """A message to the person. (jar, cycle, kind, repeat) is its cause: the same cause is sent once.

    `jar` is "" for what concerns the daemon itself. `due_s`: not before; `expires_s`: no longer true or useful after.
    """

    jar: str
    cycle: int
    kind: str
    repeat: int
    due_s: float
    expires_s: float
    title: str
    text: str
    urgent: bool = False


Carry: TypeAlias = dict[str, Json]
"""A jar's whole frozen state (JSON), at most 64 kB: restart begins from it and steps the items stored since."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JarState:
    """What is believed about one jar at `now_s`: what status, notices, the page and the MQTT state show."""

    jar: str
    now_s: float
    stage: Stage
    cycle: Cycle | None  # the open one; None before the first believable reading
    previous: Cycle | None  # the one before it, closed
    level: Level | None  # the latest smoothed level
    slope_mm_per_h: float | None
    slope_sd_mm_per_h: float | None
    last_reading_s: float | None
    temperature_c: float | None
    room_c: float | None
    noise_mm: float | None  # learnt from the readings: white part, one standard deviation
    sampling_s: float | None  # learnt: the usual time between readings
    silent_since_s: float | None
    stuck_since_s: float | None
    lid_off_since_s: float | None
    question: str | None  # what only the person can say ("fed, stirred down, or took some?"), while it is open
    forecast: Forecast | None
    distance_unit: str | None = None  # "cm" or "in": what the distances look like, if not millimetres; none is used
    temperature_unit: str | None = None  # "degF": what the temperatures look like, if not degrees Celsius
    refused_c: float | None = None  # the temperature that comes and is none, as it was sent, while no other is known
    rounds_to_mm: float | None = None  # the sensor or its firmware rounds this coarsely (5 or 10 mm); None: finely
    rose_on_s: float | None = None  # a top of the open cycle had been announced, and it was seen to climb on


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceHealth:
    """How one source is doing: `trouble` is None when all is well, else one plain sentence; `since_s` is when that
    state began, `last_message_s` when anything at all last came."""

    name: str
    connected: bool
    trouble: str | None
    since_s: float
    last_message_s: float | None
