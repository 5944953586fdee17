"""Into the fridge and out of it, away for weeks, and dry flakes: what to do. Common practice, with the hours of the
trade's own tables (a week or two: one or two feedings; months: two to four days).
"""

from __future__ import annotations

from monitor.core.assess.advice import Advice

WEEKLY_DAYS = 10.0  # common practice: fed about once a week in the fridge; a few days more do no harm
LONG_DAYS = 21.0  # after longer, waking takes days and not feedings


def going_in(days: float | None = None) -> Advice:
    """What to do before a rest of that many days in the cold; None where nobody said for how long."""
    if days is not None and days > WEEKLY_DAYS:
        return Advice(
            say=f"For {days:g} days feed it stiff: keep 20 g, add 40 g flour and 20 g water. Let it begin to rise, an "
            "hour or so, and put it in the fridge at about 4 °C, lid loose. Dry a spare too: ripe starter spread "
            "thinly, until it snaps. When you are back, feed it two or three times before you bake.",
            guide="travel",
        )
    if days is not None:
        return Advice(
            say="Feed it as usual, let it begin to rise, an hour or so, and then put it in the fridge at about 4 °C "
            f"with its lid loose: for {days:g} days it needs nothing more. When you are back, feed it once or twice "
            "before you bake.",
            guide="fridge",
        )
    return Advice(
        say="Feed it, let it begin to rise, an hour or so, and then put it in the fridge at about 4 °C with its lid "
        "loose. Fed about once a week it keeps for good; before a long absence feed it stiff, 20 g with 40 g flour and "
        "20 g water, and dry a spare.",
        guide="fridge",
    )


def waking(rested_days: float | None) -> Advice:
    """What to do after a rest of that many days; None where nobody knows how long it was."""
    if rested_days is not None and rested_days > LONG_DAYS:
        return Advice(
            say="After so long, a dark liquid on top is harmless hooch; look carefully for mould or colours, and throw "
            "it away if there are any. Otherwise keep 10 to 20 g of it and feed it 1:2:2 at about 24 °C; feed it again "
            "at its top, or after 24 h if it does not rise, for two to four days. Bake when it doubles as it used to.",
            guide="fridge",
        )
    return Advice(
        say="Feed it once or twice before you bake, 1:2:2 to 1:5:5 at about 24 °C, and bake when it doubles in its "
        "usual time. The first rise after the cold is slower.",
        guide="fridge",
    )
