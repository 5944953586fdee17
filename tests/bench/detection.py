"""How good is the detector? Scores it and its rivals on the evaluation set, in one run, as one table.

    python -m tests.bench.detection                     tune half, ours and all rivals
    python -m tests.bench.detection --held-out          the other half: look once
    python -m tests.bench.detection --earlier           the set before tops were measured
    python -m tests.bench.detection --quick --only ours 40 jar-days
    python -m tests.bench.detection --only ours --step-mm 10    a sensor whose firmware rounds to whole centimetres
    python -m tests.bench.detection --only ours --days 600
    python -m tests.bench.detection --only ours --seeds 10003,10017 --draw /tmp/look
    python -m tests.bench.detection --files 3           the same answers through `jartide replay`?

Prints the score table, the limit's own figures, and every failure with its recording's seed, family and troubles.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.bench.detection_score import HEADER, Claims, Score, row, score
from tests.bench.detection_set import (
    EARLIER_HARSH,
    EARLIER_HELD_OUT,
    EARLIER_TUNE,
    HARSH,
    HELD_OUT,
    TUNE,
    Recording,
    recording,
    recordings,
)

FULL_DAYS, QUICK_DAYS = 190.0, 40.0


def _ours(given: Recording) -> Claims:
    from tests.bench import detection_ours as ours

    return ours.claims(ours.events(given))


def detectors() -> dict[str, Callable[[Recording], Claims] | str]:
    """Name -> detector, or the reason why it cannot run here. Rivals are imported when needed."""
    from tests.bench.detection_peers import peers

    return {"ours": _ours, **peers()}


def _one(
    job: tuple[int, tuple[str, ...], float | None],
) -> tuple[int, dict[str, Score], dict[str, float], list[tuple[float | None, float | None]]]:
    """Scores of the named detectors on one recording, their seconds, and the limits of its falls."""
    seed, names, step_mm = job
    given = recording(seed, step_mm)
    scores: dict[str, Score] = {}
    took: dict[str, float] = {}
    every = {"ours": _ours} if names == ("ours",) else detectors()
    for name in names:
        run = every[name]
        assert callable(run)
        began = time.perf_counter()
        claims = run(given)
        took[name] = time.perf_counter() - began
        scores[name] = score(given, claims)
    return seed, scores, took, [(c.limit_s, c.limit_drop_mm) for c in given.cycles if c.falls]


def evaluate(
    seeds: list[int], names: tuple[str, ...], workers: int = 2, step_mm: float | None = None
) -> tuple[dict[str, Score], dict[str, float], list[str]]:
    """Sums over `seeds`: score and seconds by detector, and what the limit itself came to."""
    total = {name: Score() for name in names}
    seconds = dict.fromkeys(names, 0.0)
    limits: list[tuple[float | None, float | None]] = []
    with multiprocessing.get_context("fork").Pool(workers, initializer=os.nice, initargs=(10,)) as pool:
        for _, scores, took, found in pool.imap(_one, [(seed, names, step_mm) for seed in seeds]):
            limits += found
            for name in names:
                total[name] += scores[name]
                seconds[name] += took[name]
    known = [(limit_s, drop_mm) for limit_s, drop_mm in limits if limit_s is not None and drop_mm is not None]
    about = [
        f"{len(seeds)} recordings, {len(limits)} falls, of which {len(known)} can be known before the next feeding"
    ]
    if known:
        p10, p50, p90 = np.percentile([limit_s / 60.0 for limit_s, _ in known], [10, 50, 90])
        about.append(
            f"limit p10 {p10:.0f}, p50 {p50:.0f}, p90 {p90:.0f} min after the maximum;"
            f" the surface has gone down {np.median([d for _, d in known]):.1f} mm by then (median)"
        )
    return total, seconds, about


def draw(given: Recording, claims: Claims, path: Path) -> None:
    """One recording with its truth and a detector's claims, to be looked at."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(figsize=(15, 6))
    hours = (given.time_s - given.grid_s[0]) / 3600.0
    level = given.empty_mm - given.distance_mm
    axes.plot(hours, np.clip(level, -20.0, given.empty_mm), ".", ms=2, color="0.6", label="readings")
    axes.plot((given.grid_s - given.grid_s[0]) / 3600.0, given.true_mm, color="tab:blue", lw=1, label="true level")

    def at(time_s: float) -> float:
        return (time_s - float(given.grid_s[0])) / 3600.0

    for cycle in given.cycles:
        if cycle.fed:
            axes.axvline(at(cycle.begin_s), color="k", lw=1)
        axes.plot(at(cycle.peak_s), cycle.peak_mm, "v", color="tab:blue")
        if cycle.limit_s:
            axes.plot(
                at(cycle.peak_s + cycle.limit_s), cycle.peak_mm - (cycle.limit_drop_mm or 0.0), "o", color="tab:green"
            )
    for time_s in claims.falls_s:
        axes.axvline(at(time_s), color="tab:red", ls="--")
    for happened_s, _ in claims.fed_s:
        axes.axvline(at(happened_s), color="tab:purple", ls=":")
    for happened_s, _ in claims.peaks_s:
        axes.axvline(at(happened_s), color="tab:orange", ls=":", lw=0.8)
    for name, from_s, to_s in given.marks:
        axes.axvspan(at(from_s), at(to_s), alpha=0.08, color="tab:brown")
        axes.text(at(from_s), 0.0, name, rotation=90, fontsize=6, va="bottom")
    axes.set_title(
        f"seed {given.seed}: every {given.every_s:g} s, white {given.white_mm:.2f}, wander {given.wander_mm:.2f} mm / "
        f"{given.wander_s / 60:.0f} min, kitchen {given.kitchen}, {', '.join(given.troubles) or 'no troubles'}\n"
        "black: fed; green dot: the limit; red dashes: fall claimed; purple dots: feeding claimed; orange: peaks",
        fontsize=9,
    )
    axes.set(xlabel="hours", ylabel="level (mm)", ylim=(-5, float(given.true_mm.max()) + 15))
    figure.tight_layout()
    figure.savefig(path, dpi=80)
    pyplot.close(figure)


def files_agree(seeds: list[int]) -> int:
    """Through CSV files and `jartide replay`: how many recordings give other events than the step function did."""
    from tests.bench import detection_ours as ours

    differ = 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in seeds:
            given = recording(seed)
            path = Path(folder) / f"{given.jar}.csv"
            ours.write_csv(given, path)
            direct = ours.printed(ours.events(given))
            read = [(str(e["kind"]), str(e["happened_at"]), str(e["decided_at"])) for e in ours.replayed(path)]
            same = direct == read
            differ += not same
            print(f"seed {seed}: {len(direct)} events direct, {len(read)} replayed: {'the same' if same else 'DIFFER'}")
            if not same:
                print("\n".join(f"  only direct {e}" for e in direct if e not in read))
                print("\n".join(f"  only replayed {e}" for e in read if e not in direct))
    return differ


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--held-out", action="store_true")
    parser.add_argument("--harsh", action="store_true", help="ten troubles at once in every recording")
    parser.add_argument("--earlier", action="store_true", help="of the set made before tops were measured")
    parser.add_argument("--step-mm", type=float, help="round distances so coarsely; for ours only")
    parser.add_argument("--quick", action="store_true", help=f"{QUICK_DAYS:g} jar-days")
    parser.add_argument("--days", type=float, default=FULL_DAYS)
    parser.add_argument("--skip", type=int, default=0, help="leave out so many recordings at the beginning of the half")
    parser.add_argument("--only", action="append", help="a detector's name; may be given again")
    parser.add_argument("--seeds", help="these recordings only, with commas")
    parser.add_argument(
        "--draw", type=Path, metavar="DIR", help="draw the recordings that the first detector failed on"
    )
    parser.add_argument("--draw-max", type=int, default=20)
    parser.add_argument("--files", type=int, metavar="N", help="compare N recordings with what `jartide replay` prints")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    which = 1 if args.held_out else 2 if args.harsh else 0
    first = ((EARLIER_TUNE, EARLIER_HELD_OUT, EARLIER_HARSH) if args.earlier else (TUNE, HELD_OUT, HARSH))[which]
    half = ("tune half", "held-out half", "harsh")[which] + (", earlier set" * args.earlier)
    if args.step_mm is not None:
        half += f", rounded to {args.step_mm:g} mm"
        args.only = ["ours"]
    days = QUICK_DAYS if args.quick else args.days
    seeds = recordings(first + args.skip, days)
    if args.seeds:
        seeds = [int(text) for text in args.seeds.split(",")]
    if args.files:
        return 1 if files_agree(seeds[: args.files]) else 0
    absent: dict[str, str] = {}
    if args.only == ["ours"]:
        names: tuple[str, ...] = ("ours",)
    else:
        every = detectors()
        absent = {name: why for name, why in every.items() if isinstance(why, str)}
        names = tuple(name for name in every if name not in absent and (not args.only or name in args.only))
    began = time.perf_counter()
    total, seconds, about = evaluate(seeds, names, args.workers, args.step_mm)
    print(f"{half}, {total[names[0]].days:.0f} jar-days: {'; '.join(about)}")
    print(HEADER)
    for name in names:
        print(row(name, total[name]) + f"   {seconds[name]:.0f} s")
    for name, why in absent.items():
        print(f"{name:34s} not run: {why}")
    print(f"{time.perf_counter() - began:.0f} s in all")
    ours_first = total[names[0]]
    if ours_first.failures:
        print(f"\nwhere {names[0]!r} failed:")
    troubled: Counter[str] = Counter()
    for seed, what in sorted(ours_first.failures):
        given = recording(seed, args.step_mm)
        troubled.update(what.split(" ")[0] + " with " + t for t in given.troubles or ("no trouble",))
        print(
            f"  {seed} {what}; every {given.every_s:g} s, white {given.white_mm:.1f}, wander {given.wander_mm:.1f} mm "
            f"{given.wander_s / 60:.0f} min, {given.kitchen}; {', '.join(given.troubles) or 'no troubles'}"
        )
    if troubled:
        print("  " + ", ".join(f"{name}: {n}" for name, n in troubled.most_common()))
    if args.draw:
        args.draw.mkdir(parents=True, exist_ok=True)
        failed = list(dict.fromkeys(seed for seed, _ in sorted(ours_first.failures))) if not args.seeds else seeds
        run = detectors()[names[0]] if names[0] != "ours" else _ours
        assert callable(run)
        for seed in failed[: args.draw_max]:
            given = recording(seed, args.step_mm)
            draw(given, run(given), args.draw / f"{seed}.png")
        print(f"drawn into {args.draw}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
