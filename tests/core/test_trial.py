"""Jars side by side: a real difference is found, noise is no winner, a warm shelf no advantage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from monitor.core.assess import trial
from monitor.core.forecast import growth_rate
from monitor.core.forecast.student_t import t_quantile
from monitor.values import Cycle, of_grams

T = 1_772_409_600.0  # 2026-03-02T00:00:00Z


def jar(peaks: list[float], ratios: list[float] | None = None, c: float = 22.0, **more: object) -> list[Cycle]:
    return [
        Cycle(
            jar="x", number=i, fed_at_s=T + 86400 * i, peak_at_s=T + 86400 * i + 3600 * p, peak_ratio=r,
            temperatures_c=(c,) * 24, **more,  # type: ignore[arg-type]
        )
        for i, (p, r) in enumerate(zip(peaks, ratios or [2.2] * len(peaks), strict=True))
    ]  # fmt: skip


def drawn(rng: np.random.Generator, mean: float, count: int, spread: float = 0.1) -> list[float]:
    return [float(v) for v in mean * np.exp(rng.normal(0.0, spread, count))]


def test_a_clear_difference_is_found_and_put_into_words() -> None:
    made = trial.compare({"rye": jar([6.0, 6.3, 5.9, 6.1, 6.2]), "white": jar([9.0, 9.4, 8.8, 9.1, 9.2])})
    found = [one for one in made.comparisons if one.differs]
    assert [one.measure for one in found] == ["equivalent_h_to_peak"]
    assert "rye peaks about 3 hours before white" in made.verdict
    assert "rye is sooner at its peak than white" in found[0].words
    assert "interval" in found[0].words
    assert found[0].low < found[0].ratio < found[0].high < 1.0


def test_the_interval_is_welchs() -> None:
    # scipy's Welch interval of the same logarithms, one comparison at 5 %
    one, other = [6.0, 6.8, 5.9, 6.4], [7.0, 9.4, 8.8, 7.5, 9.0]
    mine = trial._compared("rise_ratio", "a", "b", one, other, 0.05, 0.0)
    theirs = stats.ttest_ind(np.log(one), np.log(other), equal_var=False).confidence_interval(0.95)
    assert np.log([mine.low, mine.high]) == pytest.approx([theirs.low, theirs.high], rel=0.02)


def test_noise_is_called_a_winner_in_at_most_one_trial_in_twenty() -> None:
    rng = np.random.default_rng(5)
    false, count = 0, 400
    for _ in range(count):
        made = trial.compare({name: jar(drawn(rng, 9.0, 5), drawn(rng, 2.2, 5)) for name in "abc"})
        false += any(one.differs for one in made.comparisons)
    # 5 % and three standard errors of 400 trials
    assert false / count <= 0.05 + 3 * (0.05 * 0.95 / count) ** 0.5


def test_nor_by_looking_after_every_cycle() -> None:
    rng = np.random.default_rng(8)
    false, count = 0, 60
    for _ in range(count):
        peaks, ratios = ([drawn(rng, mean, 16) for _ in range(2)] for mean in (9.0, 2.2))
        two = [jar(p, r, above_double_h=3.0) for p, r in zip(peaks, ratios, strict=True)]
        looks = (trial.compare({"a": two[0][:k], "b": two[1][:k]}) for k in range(3, 17))
        false += any(one.differs for made in looks for one in made.comparisons)
    assert false / count <= 0.05 + 3 * (0.05 * 0.95 / count) ** 0.5


@pytest.mark.parametrize("share", [0.9, 0.975, 0.995, 0.9992, 0.9998])
@pytest.mark.parametrize("freedom", [2.0, 2.3, 3.0, 5.5, 12.0, 80.0])
def test_the_quantile_is_students(share: float, freedom: float) -> None:
    assert t_quantile(share, freedom) == pytest.approx(stats.t.ppf(share, freedom), rel=1e-3)
    assert t_quantile(1.0 - share, freedom) == pytest.approx(-stats.t.ppf(share, freedom), rel=1e-3)


@pytest.mark.parametrize(("difference", "spread"), [(0.15, 0.1), (0.3, 0.1), (0.1, 0.06), (0.4, 0.25)])
def test_after_as_many_cycles_as_it_says_such_a_difference_shows_four_times_in_five(
    difference: float, spread: float
) -> None:
    error = trial.ERROR / trial.LOOKS / 3
    cycles = trial._more_cycles(difference, 2 * spread**2, error, 0)
    # the power of a two-sided t test of two samples: scipy's noncentral t
    freedom, apart = 2 * (cycles - 1), difference / (spread * np.sqrt(2 / cycles))
    power = stats.nct.sf(stats.t.ppf(1 - error / 2, freedom), freedom, apart)
    assert 0.7 < power < 0.95


def test_a_warmer_shelf_is_no_advantage() -> None:
    hours = [9.0, 9.3, 8.8, 9.1, 9.2]
    faster = growth_rate.growth_rate()(26.0) / growth_rate.growth_rate()(22.0)
    made = trial.compare({"low": jar(hours), "high": jar([float(h / faster) for h in hours], c=26.0)})
    assert made.jars["high"]["clock_h_to_peak"].mean < 0.8 * made.jars["low"]["clock_h_to_peak"].mean
    assert not any(one.differs for one in made.comparisons)
    assert "Too early to say" in made.verdict
    assert "swap their places" in made.remarks[-1]


def test_what_is_not_known_of_warmth_is_no_winner_either() -> None:
    """A starter may take warmth more or less than the published law says (Q10 of 2 to 4 in the trade's tables)."""
    hours = [9.0, 9.1, 8.95, 9.05, 9.0, 9.1]
    law = growth_rate.growth_rate()(26.0) / growth_rate.growth_rate()(21.0)
    for steep in (0.8, 1.2):  # of the published steepness: within one standard deviation of the prior
        warm = jar([float(h / law**steep) for h in hours], c=26.0)
        made = trial.compare({"low": jar(hours, c=21.0), "high": warm})
        (one,) = (c for c in made.comparisons if c.measure == "equivalent_h_to_peak")
        assert not one.differs
        assert "swap them" in one.words
        same = trial.compare({"low": jar(hours, c=21.0), "high": jar([h / 1.1 for h in hours], c=21.0)})
        assert next(c for c in same.comparisons if c.measure == "equivalent_h_to_peak").differs


def test_one_that_never_doubles_is_said_so_and_not_a_thousandfold_behind() -> None:
    high, low = jar([9.0, 9.1, 8.9], above_double_h=4.0), jar([9.0, 9.1, 8.9], [1.8] * 3, above_double_h=0.0)
    made = trial.compare({"high": high, "low": low})
    assert made.remarks == ("low doubled in 0 of its 3 cycles; hours doubled are from those cycles",)
    assert not [one for one in made.comparisons if one.measure == "equivalent_h_above_double"]


def test_what_is_shown_below_double_has_not_doubled() -> None:
    """Single readings of a starter that reaches 1.97 lie above 2."""
    nearly = jar([9.0, 9.1, 8.9], [2.1, 1.97, 1.86], above_double_h=0.4)
    made = trial.compare({"high": jar([9.0, 9.1, 8.9], above_double_h=4.0), "nearly": nearly})
    assert made.remarks == ("nearly doubled in 1 of its 3 cycles; hours doubled are from those cycles",)
    assert made.jars["nearly"]["clock_h_above_double"].cycles == 1


def test_cycles_without_a_peak_are_not_counted() -> None:
    unseen = [Cycle(jar="x", number=9 + i, fed_at_s=T + 86400 * (9 + i)) for i in range(4)]
    assert trial.compare({"a": jar([9.0, 9.1, 8.9]) + unseen, "b": unseen}).counted("a") == 3


@pytest.mark.parametrize(
    ("paces", "other", "says"),
    [(0.4, (0.0, 0.0), "differ in warmth"), (0.0, (1.5, 0.0), "different ratios"), (0.0, (0.0, 0.9), "wetter")],
)
def test_it_says_in_what_jars_differ(paces: float, other: tuple[float, float], says: str) -> None:
    one, two = (trial._Fed(shape=shape, ln_hydration=ln, ratio=None) for shape, ln in ((0.0, 0.0), other))
    assert says in trial._doubt("equivalent_h_to_peak", paces, one, two).alike


def test_it_says_how_many_more_cycles_would_settle_it() -> None:
    made = trial.compare({"a": jar([9.0, 10.1, 8.2, 9.5]), "b": jar([7.6, 8.6, 6.9, 7.9])})
    (one,) = (c for c in made.comparisons if c.measure == "equivalent_h_to_peak")
    assert not one.differs
    assert one.more_cycles is not None
    assert 1 <= one.more_cycles <= trial.MOST_CYCLES
    assert f"about {one.more_cycles} more cycles" in one.words


def test_too_few_cycles_is_too_early() -> None:
    made = trial.compare({"a": jar([9.0, 9.1]), "b": jar([7.0, 7.1, 7.2])})
    assert made.comparisons == ()
    assert "Too early" in made.verdict
    assert "a has fewer" in made.verdict
    assert "20 to 30 cycles" in made.verdict  # what to expect, at the start
    assert "a, b have fewer" in trial.compare({"a": jar([9.0, 9.1]), "b": jar([7.0, 7.1])}).verdict
    with pytest.raises(ValueError, match="two jars"):
        trial.compare({"a": jar([9.0])})


def test_hours_above_doubled_are_compared_and_resting_cycles_left_out() -> None:
    long, short = (jar([9.0, 9.1, 8.9, 9.2], above_double_h=h) for h in (6.0, 3.0))
    long[0] = Cycle(jar="x", number=0, fed_at_s=T, peak_at_s=T + 9e5, peak_ratio=1.1, rested=True)
    made = trial.compare({"long": long, "short": short})
    assert made.jars["long"]["clock_h_above_double"].cycles == 3
    assert "long stays doubled longer than short" in made.verdict


def test_one_culture_fed_two_ways_is_not_called_two() -> None:
    """The same starter at 1:2:2 and 1:4:4: the grams explain the hours (6.4 and 8 h at 24 degC, common practice)."""
    sooner = jar([6.3, 6.5, 6.4, 6.6, 6.4, 6.3], c=24.0, feeding=of_grams((50, 100, 100)))
    later = jar([8.0, 8.2, 7.9, 8.1, 8.0, 7.9], c=24.0, feeding=of_grams((25, 100, 100)))
    made = trial.compare({"a": sooner, "b": later})
    assert not [one for one in made.comparisons if one.differs and one.measure.startswith("equivalent")]
    assert any("a was fed 1:2:2 and b 1:4:4" in remark for remark in made.remarks)
    assert "feed them alike" in " ".join(made.remarks)


def test_one_plain_verdict_of_three_jars() -> None:
    made = trial.compare(
        {
            "wheat": jar([9.0, 9.1, 8.9, 9.05], [2.9, 2.95, 2.85, 2.9], above_double_h=6.0),
            "rye": jar([5.0, 5.05, 4.95, 5.0], [1.8, 1.82, 1.79, 1.8], above_double_h=None),
            "white": jar([9.0, 9.05, 8.95, 9.1], [2.3, 2.32, 2.28, 2.3], above_double_h=3.0),
        }
    )
    assert "wheat rises highest" in made.verdict
    assert "rye peaks first, about 4 hours before wheat, about 4 hours before white" in made.verdict
    assert "lower is not weaker" in made.verdict
    assert "winner" not in made.verdict
