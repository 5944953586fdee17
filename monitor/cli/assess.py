"""`jartide assess JAR`: fit to bake with, what it is doing now, sour or mild, what to try. Prints `core.assess`."""

from __future__ import annotations

import dataclasses
import json
import sys
import time
from pathlib import Path

import click

from monitor.cli import completion, freshness, past_cycles
from monitor.cli.fitted import say
from monitor.cli.opening import config_option, form_options, jar_from, now_of, refuse, settings_from
from monitor.core.assess import notebook, vigour
from monitor.core.assess.now import Current, current_of
from monitor.core.assess.vigour import Assessment
from monitor.core.display.units import Display, duration
from monitor.core.forecast import starter_model as starter_models
from monitor.core.plan import phrases
from monitor.host.time_zone import display
from monitor.runs import daemon_status, history
from monitor.runs.store import Store, StoreTrouble
from monitor.values import Json, Noted

CAUTION = (
    "A sensor sees how high a starter stands, not what lives in it. Look and smell: if there is mould, or a pink, "
    "orange or black streak, throw it away. Keep the lid loose, and do not taste raw starter."
)


TOWARD = {
    "sour": "its bread tends to be sour",
    "mild": "its bread tends to be mild",
    "neither": "neither sour nor mild",
}
STALE_S = 600.0  # the daemon writes its state each minute; a level moves by millimetres in this time


@click.command()
@click.argument("jar", required=False, shell_complete=completion.jars)
@click.option("--history", "history_path", type=click.Path(path_type=Path), help="A CYCLES.csv instead of a jar.")
@form_options()
@config_option
def assess(jar: str | None, history_path: Path | None, form: str, config: Path) -> None:
    """Judge a starter by its cycles. Exit code 0 when it is fit to bake with, 1 when not or not yet."""
    if (jar is None) == (history_path is None):
        refuse("assess: name a jar, or give --history CYCLES.csv")
    notes: list[Noted] = []
    old: list[Json] = []
    show, current, culture, now_s = Display(), None, None, time.time()
    if history_path is not None:
        cycles = past_cycles.from_file(history_path)
    else:
        settings = settings_from(config)
        show, now_s = display(settings.display), now_of(settings)
        name = jar_from(settings, jar or "").name
        cycles, notes = past_cycles.from_store(settings.store.path, name)
        culture = starter_models.learned_from(history.over(cycles), settings.jar(name).flour)
        current = _current(settings.store.path, name, now_s)
        old = freshness.say_if_old(settings, [settings.jar(name)], now_s)
    judged = vigour.assess(cycles, notes, now_s, current=current, culture=culture, display=show)
    discarded = notebook.discarded_g(notes)
    if form == "json":
        click.echo(
            json.dumps({**dataclasses.asdict(judged), "discarded_g": discarded, freshness.KEY: old}, ensure_ascii=False)
        )
    else:
        say(show.worded("\n".join(_lines(judged, discarded, now_s))))
    sys.exit(0 if judged.verdict == "yes" else 1)


def _current(path: Path, jar: str, now_s: float) -> Current | None:
    """The jar as the daemon last knew it; None if that is not recent."""
    try:
        with Store.join(path) as store:
            known = daemon_status.read(store)
    except StoreTrouble:
        return None
    if known is None or abs(now_s - known.as_of_s) > STALE_S:
        return None
    return current_of(next((state for state in known.jars if state.jar == jar), None))


def _lines(judged: Assessment, discarded: dict[str, float], now_s: float) -> list[str]:
    lines = [f"Fit to bake with: {judged.verdict}. {judged.because}"]
    if judged.now is not None:
        lines.append(f"  Now: {judged.now}")
    if judged.clock_hours_to_peak is not None and judged.rise_ratio is not None:
        counted = "1 cycle" if judged.cycles == 1 else f"{judged.cycles} cycles"
        lines.append(
            f"  {counted}; lately {judged.rise_ratio:.1f} times high (best {judged.best_ratio:.1f}), "
            f"{phrases.hours(judged.clock_hours_to_peak)} to its peak"
        )
    if judged.flagging is not None:
        lines.append(f"  {judged.flagging}")
    if judged.leaning is not None and judged.past_peak_clock_h is not None:
        past = phrases.hours(judged.past_peak_clock_h)
        lines.append(f"  Usually fed about {past} past its peak: {TOWARD[judged.leaning]} (more: jartide guide sour).")
    lines += [f"  - {advice.say} (more: jartide guide {advice.guide})" for advice in judged.advice]
    if judged.baked_last_s is not None:
        often = "once" if judged.baked == 1 else f"{judged.baked} times"
        lines.append(f"  Baked with {often}, last {duration(now_s - judged.baked_last_s)} ago.")
    if discarded:
        lines.append("  Discard so far: " + notebook.discard_words(discarded))
    return [*lines, CAUTION]
