"""`jartide assess JAR`: fit to bake with, predictable, flagging, sour or mild, what to try. Prints `core.vigour`."""

from __future__ import annotations

import dataclasses
import json
import sys
import time
from pathlib import Path

import click

from monitor.cli import past_cycles
from monitor.cli.opening import config_option, form_options, jar_from, refuse, settings_from
from monitor.core.assess import notebook, vigour
from monitor.core.assess.vigour import Assessment
from monitor.core.display.units import Display, duration
from monitor.host.time_zone import display
from monitor.values import Noted

CAUTION = (
    "A sensor sees how high it stands, not what lives in it. Look and smell: throw it away at mould or at pink, orange "
    "or black streaks. Keep its lid loose, and do not taste raw starter."
)


@click.command(short_help="Is it fit to bake with, and if not, why?")
@click.argument("jar", required=False)
@click.option("--history", "history_path", type=click.Path(path_type=Path), help="A CYCLES.csv in place of a jar.")
@form_options()
@config_option
def assess(jar: str | None, history_path: Path | None, form: str, config: Path) -> None:
    """Judge a starter by its cycles. Exit code 0 when it is fit to bake with, 1 when not or not yet."""
    if (jar is None) == (history_path is None):
        refuse("assess: name a jar, or give --history CYCLES.csv")
    notes: list[Noted] = []
    show = Display()
    if history_path is not None:
        cycles = past_cycles.from_file(history_path)
    else:
        settings = settings_from(config)
        show = display(settings.display)
        cycles, notes = past_cycles.from_store(settings.store.path, jar_from(settings, jar or "").name)
    now_s = time.time()
    judged = vigour.assess(cycles, notes, now_s)
    discarded = notebook.discarded_g(notes)
    if form == "json":
        click.echo(json.dumps(dataclasses.asdict(judged) | {"discarded_g": discarded}, ensure_ascii=False))
    else:
        click.echo(show.worded("\n".join(_lines(judged, discarded, now_s))))
    sys.exit(0 if judged.verdict == "yes" else 1)


def _lines(judged: Assessment, discarded: dict[str, float], now_s: float) -> list[str]:
    lines = [f"Fit to bake with: {judged.verdict}. {judged.because}"]
    if judged.hours_to_peak is not None and judged.rise_ratio is not None:
        counted = "1 cycle" if judged.cycles == 1 else f"{judged.cycles} cycles"
        lines.append(
            f"  {counted}; lately {judged.rise_ratio:.1f} times high (best {judged.best_ratio:.1f}), "
            f"{judged.hours_to_peak:.1f} h to its peak as at 24 °C"
        )
    if judged.spread is not None:
        lines.append(f"  spread of the hours to its peak: {judged.spread:.0%}")
    if judged.flagging is not None:
        lines.append(f"  Flagging: {judged.flagging}")
    if judged.leaning is not None:
        lines.append(f"  Fed about {judged.past_peak_h:.0f} h past its peak: leaning {_toward(judged.leaning)}.")
        lines += [f"    {lever}" for lever in judged.levers]
    lines += [f"  Try: {advice}" for advice in judged.advice]
    if judged.baked_last_s is not None:
        often = "once" if judged.baked == 1 else f"{judged.baked} times"
        lines.append(f"  Baked with {often}, last {duration(now_s - judged.baked_last_s)} ago.")
    if discarded:
        lines.append("  Discard so far: " + notebook.discard_words(discarded))
    return [*lines, CAUTION]


def _toward(leaning: str) -> str:
    return "neither to sour nor to mild" if leaning == "neither" else f"to {leaning}"
