"""Small phrases that plans, bakes and advice share: grams, a ratio, degrees, hours as people say them."""

from __future__ import annotations

from monitor.values import Feeding


def degrees(temperature_c: float) -> str:
    """21.6 -> "21.5 °C": half degrees are as fine as a kitchen is."""
    return f"{round(2.0 * temperature_c) / 2.0:g} °C"


def hours(length_h: float) -> str:
    """9.4 -> "9.5 h" below ten hours, 17.2 -> "17 h", 60 -> "2.5 days"."""
    if length_h < 10.0:
        return f"{max(round(2.0 * length_h) / 2.0, 0.5):g} h"
    if length_h < 48.0:
        return f"{length_h:.0f} h"
    return f"{round(length_h / 12.0) / 2.0:g} days"


def between(low_h: float, high_h: float) -> str:
    """A range of hours: "7 to 14 h"."""
    low, high = hours(low_h), hours(high_h)
    unit = low.split()[1]
    return f"{low.split()[0]} to {high}" if high.endswith(unit) else f"{low} to {high}"


def about(feeding: Feeding) -> str:
    """The ratio as a baker would say it: 1:4:4, 1:11:11, and halves below five; "" without starter."""
    if feeding.grams is None or feeding.grams[0] <= 0.0:
        return ""
    parts = [part_g / feeding.grams[0] for part_g in feeding.grams[1:]]
    said = [f"{part:.0f}" if part >= 5.0 else f"{round(2.0 * part) / 2.0 or round(part, 2):g}" for part in parts]
    return ":".join(["1", *said])


def weigh(feeding: Feeding) -> str:
    """ "keep 10 g, add 100 g flour and 100 g water (1:10:10)"."""
    assert feeding.grams is not None
    starter, flour, water = (f"{g:g} g" for g in feeding.grams)
    return f"keep {starter}, add {flour} flour and {water} water ({about(feeding)})"
