"""At which pace should a starter's past be forgotten? `python -m tests.bench.forecast_pace [starters] [seed]`.

Three kinds of invented cultures that share no equation with the model live through forty cycles. Half of them get
livelier or slower by 1 % a cycle, slowly, as over months; after twenty cycles all bakers change their habits: another
kitchen, 4 degC off, and twice or half the flour. The peak is predicted at the temperatures that come, by the model as
it is and by models that forget nothing of the hours, half as fast and twice as fast.

Then, whether it would help to know how long past its fall the seed was fed: a term for it is fitted to what the model
is off on every other starter and tried on the rest.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping

import numpy as np

from monitor.core.forecast import beliefs, peak_time
from monitor.core.forecast import starter_model as starter_models
from monitor.values import Cycle, of_grams
from tests.bench.forecast_bench import START_S
from tests.bench.forecast_cultures import Budding, Kitchens, Outcome, Tabular
from tests.bench.forecast_larder import Larder
from tests.bench.forecast_share import World

CYCLES, CHANGES_AT = 40, 20
PER_CYCLE = 0.01
SPANS = {"before the change": (8, 20), "the first five after it": (20, 25), "later": (25, CYCLES)}
PACES = {"nothing is forgotten": 0.0, "half as fast": 0.5, "as it is": 1.0, "twice as fast": 2.0}


Lived = list[tuple[np.ndarray, Outcome, np.ndarray]]


def lived(kind: type[World], starters: int, seed: int) -> Lived:
    """Dilutions and outcomes of each cycle, and how long past its fall the seed of each was fed, in hours."""
    rng = np.random.default_rng([seed, 77])
    world, kitchens = kind(rng, starters), Kitchens(rng, starters)
    usual = np.exp(rng.uniform(np.log(4.0), np.log(12.0), starters))
    goes = np.where(np.arange(starters) % 2 == 0, rng.choice([-1.0, 1.0], starters), 0.0)
    out, late_h = [], np.zeros(starters)
    for number in range(CYCLES):
        if number == CHANGES_AT:
            usual = usual * np.exp(rng.choice([-1.0, 1.0], starters) * np.log(2.0))
            kitchens.mean_c = np.clip(kitchens.mean_c + rng.choice([-4.0, 4.0], starters), 16.0, 27.5)
        for speed in ("vigour", "base_h", "growth"):  # how lively a culture is, by its kind
            if hasattr(world, speed):
                setattr(world, speed, getattr(world, speed) * np.exp(PER_CYCLE * goes))
        dilution = np.clip(usual * np.exp(rng.normal(0.0, 0.2, starters)), 2.5, 40.0)
        cycle = world.cycle(dilution, kitchens.hours(rng.uniform(6.0, 22.0, starters)))
        out.append((dilution, cycle, late_h))
        late_h = np.where(
            rng.uniform(size=starters) < 0.2, rng.uniform(5.0, 24.0, starters), rng.uniform(0, 5, starters)
        )
        world.feed_at(cycle.fall_h + late_h)
    return out


def judged(cycles: Lived, pace: float, usual: Mapping[int, float]) -> np.ndarray:
    """Rows of (cycle, ln off, inside, starter, hours late) for the peaks, by a model that forgets at that pace."""
    beliefs.DRIFT_OF_SCATTER = {number: pace * share for number, share in usual.items()}
    believed, rows = [starter_models.prior()] * len(cycles[0][0]), []
    for number, (dilutions, out, late_h) in enumerate(cycles):
        for who in np.flatnonzero(out.fall_h <= 65.0):
            dilution, fall_h = float(dilutions[who]), float(out.seen_fall_h[who])
            temperatures_c = tuple(map(float, out.temperatures_c[who, : int(fall_h) + 1]))
            prediction = starter_models.predict(believed[who], temperatures_c, dilution, 1.0)
            said, came_h = peak_time.hours_ahead(prediction, temperatures_c).peak_h, float(out.seen_peak_h[who])
            inside = said.earliest <= came_h <= said.latest
            rows.append((number, np.log(said.likely / came_h), inside, who, late_h[who]))
            fed_at_s, added_g = START_S + 86400.0 * number, 5.0 * (dilution - 1.0)
            cycle = Cycle(
                jar="x", number=number, fed_at_s=fed_at_s, feeding=of_grams((10.0, added_g, added_g)),
                peak_at_s=fed_at_s + 3600.0 * came_h, fall_at_s=fed_at_s + 3600.0 * fall_h,
                temperatures_c=temperatures_c,
            )  # fmt: skip
            believed[who] = starter_models.learn(believed[who], cycle)
    beliefs.DRIFT_OF_SCATTER = dict(usual)
    return np.array(rows)


def with_ripeness(rows: np.ndarray) -> tuple[float, float, float]:
    """(rms of ln off without and with a term for how late the seed was fed, that term in ln an hour), from the ninth
    cycle on; the term is that of the starters of even number, the errors those of the others."""
    rows = rows[rows[:, 0] >= 8]
    fit, test = (rows[rows[:, 3] % 2 == part] for part in (0, 1))
    late, off = fit[:, 4] - fit[:, 4].mean(), fit[:, 1] - fit[:, 1].mean()
    term = float(late @ off / (late @ late))
    left = test[:, 1] - term * (test[:, 4] - fit[:, 4].mean())
    return float(np.sqrt(np.mean(test[:, 1] ** 2))), float(np.sqrt(np.mean(left**2))), term


def report(starters: int, seed: int) -> None:
    """Print it all."""
    usual = dict(beliefs.DRIFT_OF_SCATTER)
    kinds: tuple[type[World], ...] = (Budding, Tabular, Larder)
    tables: dict[str, list[np.ndarray]] = {name: [] for name in PACES}
    for kind in kinds:
        cycles = lived(kind, starters, seed)
        for name, pace in PACES.items():
            tables[name].append(judged(cycles, pace, usual))
    print(f"{3 * starters} starters of three kinds, seed {seed}: next peak, rms of ln off and share inside 90 %")
    print(f"{'':22}" + "".join(f"{span:>26}" for span in SPANS))
    for kind, rows in zip(kinds, tables["as it is"], strict=True):
        without, with_it, term = with_ripeness(rows)
        print(f"{kind.__name__}: off {without:.4f}, with how late the seed was fed {with_it:.4f} ({term:+.4f} an hour)")
    for name, parts in tables.items():
        rows, columns = np.concatenate(parts), []
        for first, last in SPANS.values():
            some = rows[(rows[:, 0] >= first) & (rows[:, 0] < last)]
            columns.append(f"{np.sqrt(np.mean(some[:, 1] ** 2)):.3f}, {some[:, 2].mean():.2f}")
        print(f"{name:22}" + "".join(f"{one:>26}" for one in columns), flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="At which pace should a starter's past be forgotten?")
    parser.add_argument("starters", type=int, nargs="?", default=20)
    parser.add_argument("seed", type=int, nargs="?", default=1)
    asked = parser.parse_args()
    report(asked.starters, asked.seed)
