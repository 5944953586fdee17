"""`jartide plan`: the next feeding in grams for a wanted cycle or moment, once a day, or what a given feeding will do.
Parses, asks `core.plan`, prints."""

from __future__ import annotations

import json
import re
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import click

from monitor.cli import freshness, past_cycles
from monitor.cli.fitted import say
from monitor.cli.moments import moment_to_come
from monitor.cli.numbers import NUMBER
from monitor.cli.opening import form_options, found_config, jar_from, now_of, refuse, settings_from
from monitor.core.assess import growing
from monitor.core.assess.age import age_of
from monitor.core.assess.thrown_away import condemned, what_to_do
from monitor.core.display.local_time import local_day, minute_of_day
from monitor.core.display.units import Display
from monitor.core.forecast import growth_rate
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import change_over as changing
from monitor.core.plan import daily, feeding, moment, phrases
from monitor.core.plan.hours import LONGEST_H
from monitor.core.plan.moment import Planned
from monitor.core.plan.plain import daily_json, plan_json
from monitor.core.plan.ripeness import Seed, by_day_words, feed_from_s, not_ripe_words, seed_of, warmth_from
from monitor.core.plan.waking import awake_by
from monitor.core.plan.weighing import Limits, limits_of
from monitor.host.time_zone import calendar, display
from monitor.runs import rfc3339
from monitor.settings import DisplaySettings, JarSettings, NoticeSettings
from monitor.values import Cycle, Feeding, FeedPlan, Json, Noted, Span

MOST_OTHERS = 3  # ways that are said of what cannot be had; more confuse


@click.command()
@click.option("--history", "history_path", type=click.Path(path_type=Path), help="Past cycles: a CYCLES.csv.")
@click.option("--jar", "jar_name", help="A jar of the config: takes its cycles, temperature and wanted hours.")
@click.option("--config", type=click.Path(path_type=Path), default=found_config, envvar="JARTIDE_CONFIG",
              help="The config file, for --jar.")  # fmt: skip
@click.option("--target-hours", type=NUMBER, help="Wanted hours from feeding to the start of fall.  [default: 24]")
@click.option("--once-a-day", is_flag=True, help="Today's grams if it is fed once a day at about this hour.")
@click.option("--at", "wanted", help='Wanted moment instead, local: "Saturday 08:00" or "2026-03-07 08:00".')
@click.option("--aim", type=click.Choice(["fall", "half-sunk", "peak"]), help="What should happen at that moment.")
@click.option("--temperature-c", type=NUMBER, help="Expected temperature at the jar, degC.")
@click.option("--water-c", type=NUMBER, help="Temperature of the water you mix in, degC.  [default: as the kitchen]")
@click.option("--keep-g", type=NUMBER, help="Starter to keep, g.")
@click.option("--flour-g", type=NUMBER, help="Flour to use, g.")
@click.option("--water-g", type=NUMBER, help="Water to use, g. With --keep-g and --flour-g: what will that feeding do?")
@click.option("--hydration-pct", type=NUMBER, help="Water as % of the flour.  [default: as last fed, else 100]")
@click.option("--flour", help="The flour to feed, if it changes.")
@click.option("--change-over", is_flag=True, help="Change to the --flour or --hydration-pct given, feeding by feeding.")
@click.option("--least-keep-g", type=NUMBER, help="Keep no less than this, g.")
@click.option("--most-keep-g", type=NUMBER, help="Keep no more than this, g.")
@click.option(
    "--standing-g",
    type=NUMBER,
    help="What is in the jar now, g, to work out the discard.  [default: from its last feeding]",
)
@click.option("--ripe-g", type=NUMBER, help="Ripe starter needed, g: for the bake and to keep.")
@click.option(
    "--jar-ml", type=NUMBER, help="Size of the jar, ml, so that it does not run over.  [default: up to its rim]"
)
@form_options()
# branches: one check of the options after the other, then one branch for each kind of question
def plan(
    history_path: Path | None,
    jar_name: str | None,
    config: Path,
    target_hours: float | None,
    once_a_day: bool,
    wanted: str | None,
    aim: str | None,
    temperature_c: float | None,
    water_c: float | None,
    keep_g: float | None,
    flour_g: float | None,
    water_g: float | None,
    hydration_pct: float | None,
    flour: str | None,
    change_over: bool,
    least_keep_g: float | None,
    most_keep_g: float | None,
    standing_g: float | None,
    ripe_g: float | None,
    jar_ml: float | None,
    form: str,
) -> None:
    """Plan the next feeding, or ask what one will do (starter, flour and water all given).

    Exit code 0 if the plan meets the wish or a question was answered, 1 if it is only the nearest, 2 for a wrong call.
    """
    asked = keep_g is not None and flour_g is not None and (water_g is not None or hydration_pct is not None)
    if (history_path is not None and jar_name is not None) or (history_path is None and jar_name is None and not asked):
        refuse("plan: give either --history CYCLES.csv or --jar NAME (or --keep-g, --flour-g and --water-g: what if?)")
    if (wanted is not None) + (target_hours is not None) + once_a_day + change_over > 1:
        refuse("plan: give one of --target-hours, --at, --once-a-day and --change-over")
    if water_g is not None and not asked:
        refuse("plan: --water-g goes with --keep-g and --flour-g; to plan, give --hydration-pct")
    if asked and (wanted is not None or target_hours is not None or once_a_day or change_over):
        refuse("plan: with starter, flour and water all given there is nothing left to plan; leave one out")
    known = known_of(history_path, jar_name, config, temperature_c)
    now_s = known.now_s
    seed = seed_of(known.culture, known.open_cycle, now_s, temperature_c)
    hydration = None if hydration_pct is None else hydration_pct / 100.0
    limits = replace(
        known.limits, keep_g=keep_g, flour_g=flour_g, hydration=hydration, most_keep_g=most_keep_g, ripe_g=ripe_g,
        least_keep_g=1.0 if least_keep_g is None else least_keep_g, flour=flour, water_c=water_c,
        jar_ml=known.limits.jar_ml if jar_ml is None else jar_ml,
        standing_g=seed.standing_g if standing_g is None else standing_g,
    )  # fmt: skip
    zone, culture = calendar(known.shown.time_zone), known.culture
    show = display(known.shown)
    awake_at = awake_by(show.offset_s, known.notices, now_s)
    from_s = feed_from_s(seed, now_s, awake_at)
    warm = warmth_from(culture, known.open_cycle, temperature_c)
    toward = feeding.AIMS[(aim or ("fall" if wanted is None else "peak")).replace("-", "_")]
    body: dict[str, Any]
    try:
        if asked:
            given = Feeding(starter_g=keep_g, flour_g=flour_g, water_g=_water(flour_g, water_g, hydration), flour=flour)
            made = feeding.what_if(culture, feeding=given, temperatures_c=warm(now_s), limits=limits)
            planned: Sequence[Planned] = (Planned(at_s=now_s, plan=made),)
            text, body = _as_text(planned[0], None), plan_json(made)
        elif once_a_day:
            minute = minute_of_day(from_s, show.offset_s)
            days = local_day(from_s, show.offset_s) - local_day(now_s, show.offset_s)
            today = daily.once_a_day(culture, temperatures_c=warm(from_s), minute=minute, days=days, limits=limits)
            planned = (Planned(at_s=from_s, plan=today.plan),)
            text, body = "\n".join([today.line, *_instead(today.plan)]), daily_json(today)
        elif change_over:
            planned = changing.change_over(
                culture, limits=limits, start_s=from_s, warmth_from=warm,
                awake_at=awake_at,
            )  # fmt: skip
            lines = [
                f"{show.stamp(one.at_s)}: {phrases.weigh(one.plan.feeding)}. {one.plan.because}" for one in planned
            ]
            text, body = "\n".join(lines), _dated(planned)
        elif wanted is None:
            hours = known.cycle_h if target_hours is None else target_hours
            made = feeding.plan(culture, target_h=hours, temperatures_c=warm(from_s), aim=toward, limits=limits)
            planned = (Planned(at_s=from_s, plan=made),)
            text, body = _as_text(planned[0], None), plan_json(made)
            if made.met is False and target_hours is None:  # nobody asked for it
                why = "the default" if jar_name is None else "the jar's cycle_h"
                text += f"\n  ({hours:g} h is {why}; ask for others with --target-hours)"
        else:
            wanted_s = moment_to_come(wanted, now_s, zone)
            planned = moment.plan_for(
                culture,
                now_s=now_s,
                wanted_s=wanted_s,
                warmth_from=warm,
                aim=toward,
                limits=limits,
                seed=seed,
                awake=awake_at,
                clock=lambda at_s: show.about(at_s, now_s),
            )
            before = [f"{show.stamp(one.at_s)}: {_briefly(one)}" for one in planned[:-1]]
            text, body = "\n".join([*before, _as_text(planned[-1], show)]), _dated(planned)
    except ValueError as error:
        refuse(f"plan: {_of_options(str(error))}")
    if seed.ripe_at is not None and not asked:
        body["seed_ripe_at"] = _span(seed.ripe_at)  # if it is too cold this may be months ahead
        body.setdefault("feed_at", rfc3339.text(float(round(from_s))))
        text = f"{unripe_words(seed, show, now_s, from_s)}\n{text}"
    young = None if asked else growing.beside_a_plan(age_of(known.cycles, known.notes, now_s).days)
    if young is not None:
        body["young"], text = young, f"{young}\n{text}"
    if jar_name is not None:
        body[freshness.KEY] = known.old
    if form == "json":
        click.echo(json.dumps(body, ensure_ascii=False))
    else:
        say(show.worded(text))
    sys.exit(1 if any(one.plan.met is False for one in planned) else 0)


def _water(flour_g: float | None, water_g: float | None, hydration: float | None) -> float | None:
    return water_g if water_g is not None or flour_g is None or hydration is None else flour_g * hydration


def unripe_words(seed: Seed, show: Display, now_s: float, from_s: float) -> str:
    """What to do while the starter in the jar is not ripe; `from_s` is when it is to be fed."""
    assert seed.ripe_at is not None
    if seed.ripe_at.likely_s > now_s + 3600.0 * LONGEST_H:
        return "At this temperature it will not be ripe for days: bring it to about 20 °C when you need it. Then:"
    said = (
        not_ripe_words(seed, show, now_s),
        "Don't feed it before.",
        by_day_words(seed, from_s, show, now_s),
        "Then:",
    )
    return " ".join(filter(None, said))


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What a plan begins from: the starter, the open cycle, the jar and how its owner reads numbers."""

    culture: Culture
    cycle_h: float = 24.0  # the wanted cycle, unless the config says otherwise
    open_cycle: Cycle | None = None
    jar: JarSettings = field(default_factory=lambda: JarSettings(name=""))
    limits: Limits = field(default_factory=Limits)  # what the jar's config fixes
    shown: DisplaySettings = field(default_factory=DisplaySettings)
    notices: NoticeSettings | None = None  # its quiet hours
    now_s: float = field(default_factory=time.time)
    cycles: Sequence[Cycle] = ()  # of a jar, with its notes
    notes: Sequence[Noted] = ()
    old: list[Json] = field(default_factory=list)  # whether what is known of the jar is old


def known_of(history_path: Path | None, jar_name: str | None, config: Path, temperature_c: float | None) -> Known:
    """All that is known of the starter to plan for. Cycles without a temperature are assumed to have been in the same
    kitchen. Exits with 1 for a starter that has to be thrown away."""
    usual_c = growth_rate.USUAL_C if temperature_c is None else temperature_c
    if history_path is not None:
        return Known(culture=starter_models.learned_from(past_cycles.from_file(history_path), usual_c=usual_c))
    if jar_name is None:
        return Known(culture=starter_models.prior())
    from monitor.runs import history

    settings = settings_from(config)
    jar = jar_from(settings, jar_name)
    cycles, notes = past_cycles.from_store(settings.store.path, jar.name)
    bin_note = condemned(notes)
    if bin_note is not None:
        click.echo(f"{jar.name}: no plan for it. {what_to_do(bin_note)}", err=True)
        sys.exit(1)
    now_s = now_of(settings)
    is_open = bool(cycles) and cycles[-1].ended_at_s is None
    culture = starter_models.learned_from(history.over(cycles), jar.flour, usual_c)
    return Known(
        culture=culture,
        cycle_h=jar.cycle_h,
        open_cycle=cycles[-1] if is_open else None,
        jar=jar,
        limits=limits_of(jar, settings.place),
        shown=settings.display,
        notices=settings.notices,
        now_s=now_s,
        cycles=cycles,
        notes=notes,
        old=freshness.say_if_old(settings, [jar], now_s),
    )


def _of_options(error: str) -> str:
    """What `plan.feeding` says about a value that makes no sense, with the options' names instead of its own."""
    names = {"target_h": "target_hours"}
    return re.sub(
        r"\b[a-z]+(?:_[a-z]+)*_(?:g|h|c|pct|ml)\b", lambda m: "--" + names.get(m[0], m[0]).replace("_", "-"), error
    )


def _dated(planned: Sequence[Planned]) -> dict[str, Any]:
    """The contract's object for the first feeding, with its time; the next feeding is under `then`, and so on."""
    out: dict[str, Any] = {}
    for one in reversed(planned):
        out = {**plan_json(one.plan), "feed_at": rfc3339.text(float(round(one.at_s))), **({"then": out} if out else {})}
    out["met"] = all(one.plan.met for one in planned)
    return out


def _span(span: Span) -> dict[str, Json]:
    at_s = zip(("earliest", "likely", "latest"), (span.earliest_s, span.likely_s, span.latest_s), strict=True)
    return {name: rfc3339.text(float(round(moment_s))) for name, moment_s in at_s}


def _as_text(one: Planned, dated: Display | None) -> str:
    """The plan for a person, with dates if a moment was asked for."""
    made = one.plan
    when = "" if dated is None else f"{dated.stamp(one.at_s)}{' (at night)' if made.at_night else ''}: "
    lines = [f"{when}{phrases.weigh(made.feeding)}"]
    if made.met is False and made.instead:  # what a good baker would do, then what is missed, then other ways
        best, others, left = made.instead[0], made.instead[1:MOST_OTHERS], len(made.instead[MOST_OTHERS:])
        lines = [
            f"{best.do[0].upper()}{best.do[1:]}. {best.because}",
            made.because,
            *(f"  - or {one.do}. {one.because}" for one in others),
            *([f"  (and {left} more with --json)"] if left else []),
            f"The nearest that one feeding comes to it: {when}{phrases.weigh(made.feeding)}",
        ]
    elif made.met is False:
        lines = [made.because, f"The nearest that one feeding comes to it: {when}{phrases.weigh(made.feeding)}"]
    if made.discard_g is not None:
        lines.append(f"  discard {made.discard_g} g (why, and what it makes: jartide guide discard)")
    if made.least_jar_ml is not None:
        lines.append(f"  needs a jar of {made.least_jar_ml} ml at least")
    said = (
        ("ripe", made.hours_to_peak), ("at its peak", made.hours_to_highest), ("begins to sink", made.hours_to_fall),
        ("half sunk", made.hours_to_half_sunk),
    )  # fmt: skip
    for name, (low, likely, high) in said:
        soon = likely <= LONGEST_H
        lines.append(
            f"  {name} "
            + (f"after about {phrases.hours(likely)} ({phrases.between(low, high)})" if soon else "not for days")
        )
    lines += [
        f"  {sentence}" for sentence in (made.because if made.met is not False else None, made.caution) if sentence
    ]
    return "\n".join(lines)


def _briefly(one: Planned) -> str:
    """A feeding on the way to another, in one line."""
    top = phrases.hours(one.plan.hours_to_peak[1])
    return f"{phrases.weigh(one.plan.feeding)}, ripe after about {top}"


def _instead(made: FeedPlan) -> list[str]:
    if not made.instead:
        return []
    return ["What you can do:", *(f"  - {one.do}. {one.because}" for one in made.instead)]
