"""`jartide plan`: the next feeding in grams for a wanted cycle or moment. Parses, asks `core.feeding`, prints."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Sequence
from datetime import datetime, tzinfo
from pathlib import Path

import click

from monitor.cli import past_cycles
from monitor.cli.opening import DEFAULT_CONFIG, form_options, in_zone, jar_from, refuse, settings_from
from monitor.core.assess import notebook
from monitor.core.forecast import growth_rate
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import feeding
from monitor.core.plan.feeding import Planned
from monitor.core.plan.weighing import Limits
from monitor.host.time_zone import calendar, display
from monitor.runs import history, rfc3339
from monitor.settings import DisplaySettings, Settings
from monitor.values import FeedPlan, Noting

HORIZON_H = 96


@click.command()
@click.option("--history", "history_path", type=click.Path(path_type=Path), help="Past cycles: a CYCLES.csv.")
@click.option(
    "--jar", "jar_name", help="A jar of the config: its cycles in the store, its temperature, its wanted cycle."
)
@click.option("--config", type=click.Path(path_type=Path), default=Path(DEFAULT_CONFIG), envvar="JARTIDE_CONFIG",
              show_default=True, help="The config file, for --jar.")  # fmt: skip
@click.option("--target-hours", type=float, help="Wanted hours from feeding to the start of fall.  [default: 24]")
@click.option("--at", "wanted", help='Wanted moment instead, local time: "2026-03-07 08:00". Aims the peak at it.')
@click.option("--aim", type=click.Choice(["fall", "half-sunk", "peak"]), help="What is to come then.")
@click.option("--temperature-c", type=float, help="Expected temperature at the jar, degC.")
@click.option("--keep-g", type=float, help="Starter to keep, g.")
@click.option("--flour-g", type=float, help="Flour to use, g.")
@click.option("--hydration-pct", type=float, help="Water to flour, %.  [default: as last fed, else 100]")
@click.option("--flour", help="What it is fed, when that is to change.")
@click.option("--least-keep-g", type=float, help="Keep no less than this, g.")
@click.option("--most-keep-g", type=float, help="Keep no more than this, g.")
@click.option("--standing-g", type=float, help="What is in the jar now, g: gives the discard.")
@click.option("--ripe-g", type=float, help="Ripe starter the bake takes, what is to be kept included, g.")
@click.option("--jar-ml", type=float, help="The jar's size, ml: it must not run over.")
@form_options()
def plan(
    history_path: Path | None,
    jar_name: str | None,
    config: Path,
    target_hours: float | None,
    wanted: str | None,
    aim: str | None,
    temperature_c: float | None,
    keep_g: float | None,
    flour_g: float | None,
    hydration_pct: float | None,
    flour: str | None,
    least_keep_g: float | None,
    most_keep_g: float | None,
    standing_g: float | None,
    ripe_g: float | None,
    jar_ml: float | None,
    form: str,
) -> None:
    """Plan the next feeding.

    Exit code 0 when the plan meets the wish, 1 when it is only the nearest, 2 for a wrong call.
    """
    if (history_path is None) == (jar_name is None):
        refuse("plan: give either --history CYCLES.csv or --jar NAME")
    if wanted is not None and target_hours is not None:
        refuse("plan: give either --target-hours or --at, not both")
    usual_c = growth_rate.USUAL_C if temperature_c is None else temperature_c
    settings = None if jar_name is None else settings_from(config)
    shown = DisplaySettings() if settings is None else settings.display
    zone = calendar(shown.time_zone)
    culture, cycle_h = _culture(history_path, settings, jar_name or "", usual_c)
    limits = Limits(
        keep_g=keep_g, flour_g=flour_g, hydration=None if hydration_pct is None else hydration_pct / 100.0,
        least_keep_g=1.0 if least_keep_g is None else least_keep_g, most_keep_g=most_keep_g, ripe_g=ripe_g,
        jar_ml=jar_ml, standing_g=standing_g, flour=flour,
    )  # fmt: skip
    now_s = datetime.now().timestamp()
    from_s = _warmth_from(culture, temperature_c)
    toward = feeding.AIMS[(aim or ("fall" if wanted is None else "peak")).replace("-", "_")]
    try:
        if wanted is None:
            hours = cycle_h if target_hours is None else target_hours
            made = feeding.plan(culture, target_h=hours, temperatures_c=from_s(now_s), aim=toward, limits=limits)
            planned: Sequence[Planned] = (Planned(at_s=now_s, plan=made),)
        else:
            planned = feeding.plan_for(
                culture,
                now_s=now_s,
                wanted_s=_moment(wanted, now_s, zone),
                warmth_from=from_s,
                aim=toward,
                limits=limits,
            )
    except ValueError as error:
        refuse(f"plan: {_of_options(str(error))}")
    if form == "json":
        click.echo(json.dumps(_as_json(planned, wanted is not None), ensure_ascii=False))
    else:
        for one in planned:
            click.echo(display(shown).worded(_as_text(one, zone if wanted is not None else None)))
    sys.exit(0 if all(one.plan.met for one in planned) else 1)


def _culture(
    history_path: Path | None, settings: Settings | None, jar_name: str, usual_c: float
) -> tuple[Culture, float]:
    """What is believed of the starter, and the wanted cycle of its jar (24 h where no config says otherwise). Cycles
    without a temperature are taken to have been in the same kitchen, at `usual_c`."""
    if history_path is not None:
        return starter_models.learned_from(past_cycles.from_file(history_path), usual_c=usual_c), 24.0
    assert settings is not None
    jar = jar_from(settings, jar_name)
    cycles, notes = past_cycles.from_store(settings.store.path, jar.name)
    if notebook.noted(notes, Noting.MOULD):
        click.echo(f"{jar.name}: nothing is planned for it. {notebook.THROW_AWAY}", err=True)
        sys.exit(1)
    return starter_models.learned_from(history.over(cycles), jar.flour, usual_c), jar.cycle_h


def _of_options(error: str) -> str:
    """What `core.feeding` says of a value that makes no sense, with the names of the options in place of its own."""
    names = {"target_h": "target_hours"}
    return re.sub(
        r"\b[a-z]+(?:_[a-z]+)*_(?:g|h|c|pct|ml)\b", lambda m: "--" + names.get(m[0], m[0]).replace("_", "-"), error
    )


def _warmth_from(culture: Culture, temperature_c: float | None) -> Callable[[float], Sequence[float]]:
    if temperature_c is not None:
        return lambda _: (temperature_c,)
    return lambda at_s: growth_rate.expected_c(culture.day_c, at_s, (), HORIZON_H)


def _moment(text: str, now_s: float, zone: tzinfo) -> float:
    try:
        when_s = in_zone(datetime.fromisoformat(text), zone)
    except ValueError:
        raise ValueError(f'--at {text}: write a local time like "2026-03-07 08:00"') from None
    if when_s <= now_s:
        raise ValueError(f"--at {text} is past; it must be a time to come")
    return when_s


def _as_json(planned: Sequence[Planned], dated: bool) -> dict[str, object]:
    """The contract's object, of the first feeding, with its time where one was wanted; the second is under `then`."""
    first = _object(planned[0].plan)
    if dated:
        first["feed_at"] = rfc3339.text(float(round(planned[0].at_s)))
    if len(planned) > 1:
        first["met"] = all(one.plan.met for one in planned)
        then = _object(planned[1].plan)
        then["feed_at"] = rfc3339.text(float(round(planned[1].at_s)))
        first["then"] = then
    return first


def _object(made: FeedPlan) -> dict[str, object]:
    out: dict[str, object] = {
        "starter_g": made.starter_g,
        "flour_g": made.flour_g,
        "water_g": made.water_g,
        "ratio": feeding.ratio(made),
        "hours_to_peak": _three(made.hours_to_peak),
        "hours_to_fall": _three(made.hours_to_fall),
        "hours_to_half_sunk": None if made.hours_to_half_sunk is None else round(made.hours_to_half_sunk, 2),
        "met": made.met,
        "because": made.because,
    }
    if made.discard_g is not None:
        out["discard_g"] = made.discard_g
    if made.caution is not None:
        out["caution"] = made.caution
    return out


def _three(hours: tuple[float, float, float]) -> dict[str, float]:
    return {name: round(h, 2) for name, h in zip(("earliest", "likely", "latest"), hours, strict=True)}


def _as_text(one: Planned, zone: tzinfo | None) -> str:
    """The plan for a person; dated in a zone, where its moment was wished for."""
    made = one.plan
    when = "" if zone is None else f"{datetime.fromtimestamp(one.at_s, zone):%A %H:%M}: "
    lines = [
        f"{when}keep {made.starter_g} g, add {made.flour_g} g flour and {made.water_g} g water ({feeding.ratio(made)})"
    ]
    if made.discard_g is not None:
        lines.append(f"  discard {made.discard_g} g")
    for name, (low, likely, high) in (("peak", made.hours_to_peak), ("start of fall", made.hours_to_fall)):
        soon = likely <= feeding.LONGEST_H
        lines.append(
            f"  {name} " + (f"after about {likely:.1f} h ({low:.1f} to {high:.1f})" if soon else "not in days")
        )
    if made.hours_to_half_sunk is not None and made.hours_to_half_sunk <= feeding.LONGEST_H:
        lines.append(f"  sunk half-way back after about {made.hours_to_half_sunk:.1f} h")
    lines += [f"  {sentence}" for sentence in (made.because, made.caution) if sentence]
    return "\n".join(lines)
