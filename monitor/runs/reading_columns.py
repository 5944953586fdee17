"""Many readings of one jar in little memory: columns of doubles with 48 bytes a reading, where an object takes 250."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from math import isnan, nan
from typing import overload

from monitor.values import MEASURED, Reading


class ReadingColumns(Sequence[Reading]):
    """The readings of a run, which can be iterated any number of times; each object is made when it is asked for."""

    def __init__(self, readings: Iterable[Reading] = ()) -> None:
        self._jar = ""
        self._time_s = array("d")
        self._measured = tuple((name, array("d")) for name in MEASURED)
        for reading in readings:
            self.append(reading)

    def append(self, reading: Reading) -> None:
        """Add a reading; all must be of one jar."""
        self._jar = reading.jar
        self._time_s.append(reading.time_s)
        for name, column in self._measured:
            value = getattr(reading, name)
            column.append(nan if value is None else value)

    def __len__(self) -> int:
        return len(self._time_s)

    @overload
    def __getitem__(self, index: int) -> Reading: ...
    @overload
    def __getitem__(self, index: slice) -> list[Reading]: ...
    def __getitem__(self, index: int | slice) -> Reading | list[Reading]:
        if isinstance(index, slice):
            return [self[place] for place in range(*index.indices(len(self)))]
        values = {name: column[index] for name, column in self._measured}
        return self._made(self._time_s[index], values)

    def __iter__(self) -> Iterator[Reading]:
        names = [name for name, _ in self._measured]
        for time_s, *row in zip(self._time_s, *(column for _, column in self._measured), strict=True):
            yield self._made(time_s, dict(zip(names, row, strict=True)))

    def _made(self, time_s: float, values: dict[str, float]) -> Reading:
        there = {name: value for name, value in values.items() if not isnan(value)}
        return Reading(time_s=time_s, jar=self._jar, **there)


class PairColumns:
    """Pairs of a time and a value in two columns, which can be put in order of time."""

    def __init__(self) -> None:
        self._times_s, self._values = array("d"), array("d")
        self._in_place = True

    def append(self, time_s: float, value: float) -> None:
        """Add a pair."""
        if self._times_s:
            self._in_place = self._in_place and (self._times_s[-1], self._values[-1]) <= (time_s, value)
        self._times_s.append(time_s)
        self._values.append(value)

    def in_order(self) -> tuple[array[float], array[float]]:
        """Times and values in order of time, equal times in order of value; with no more memory than the columns where
        they came in order, as nearly all do."""
        times_s, values = self._times_s, self._values
        if self._in_place:
            return times_s, values
        places = sorted(range(len(times_s)), key=lambda place: (times_s[place], values[place]))
        return array("d", (times_s[place] for place in places)), array("d", (values[place] for place in places))
