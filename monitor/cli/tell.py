"""`jartide fed`, `note`, `rest` and `snooze`: what only the person knows goes into the store, with or without a
running daemon, which steps it just like a reading."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import click

from monitor.cli import past_cycles
from monitor.cli.completion import jars
from monitor.cli.fitted import say
from monitor.cli.nearest import NearChoice
from monitor.cli.numbers import NothingOr, Within
from monitor.cli.opening import config_option, jar_from, json_option, moment, now_of, put_json, refuse, settings_from
from monitor.cli.telling_words import as_json as told_json
from monitor.cli.telling_words import doubt, ratio
from monitor.core.assess import growing, notebook, resting
from monitor.core.assess.advice import Advice
from monitor.core.assess.age import DRIED, OLD, YOUNG_DAYS, age_of
from monitor.core.detect.superseded import SAME_FEEDING_S
from monitor.core.display.local_time import UnknownDay, day_of, local_day
from monitor.host import lock
from monitor.host.time_zone import calendar, display
from monitor.runs import history, reported
from monitor.runs.items import LEAST_G, MOST_G, OLDEST_S, SNOOZE_H
from monitor.runs.report_body import MOST_LABEL
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import Settings
from monitor.values import DAY_S, Fed, Feeding, Json, Noted, Noting, with_usual

AS_MOULD = {"mold", "moldy", "mouldy", "fuzz", "fuzzy", "pink", "orange", "black", "streak", "streaks"}
SEEN_ELSEWHERE = {Noting.REST, Noting.REST_OVER, Noting.SNOOZE, Noting.BEGUN}  # these have their own commands


SMELLS = re.compile(r"(?:it )?smells?(?: of| like)? ", re.IGNORECASE)


class _What(NearChoice):
    """The kinds of note, with a hint for those who name mould by what they see or spell it differently."""

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if " " in str(value).strip():  # a sentence of one's own
            return str(value)
        if str(value).lower() in AS_MOULD:
            self.fail(f"{value}: mould, or pink, orange or black streaks, are noted as: mould {value}", param, ctx)
        return super().convert(value, param, ctx)


grams = NothingOr(LEAST_G, MOST_G)
at_option = click.option(
    "--at", metavar="TIME", help='When it was: 07:30, "2026-03-02 07:30" or RFC 3339. Default: now.'
)
by_option = click.option(
    "--by", envvar="JARTIDE_BY", metavar="NAME", help="Your name; or set JARTIDE_BY once on each device. Default: none."
)


@click.command(context_settings={"allow_extra_args": True})
@config_option
@click.argument("jar", shell_complete=jars)
@click.option("--starter-g", type=grams, help="Starter kept, grams.")
@click.option("--flour-g", type=grams, help="Flour added, grams.")
@click.option("--water-g", type=grams, help="Water added, grams.")
@click.option("--flour", help="Which flour (default: the jar's usual one).")
@click.option("--flour-lot", metavar="LOT", help="Its lot, if it is not the open one (`jartide lot`).")
@click.option("--seed", metavar="JAR|LOT", help="The jar or lot that the starter came from, if not JAR itself.")
@by_option
@at_option
@click.option("--corrects", metavar="TIME", help="Correct the feeding at that time.")
@json_option
@click.pass_context
def fed(
    ctx: click.Context,
    config: Path,
    jar: str,
    starter_g: float | None,
    flour_g: float | None,
    water_g: float | None,
    flour: str | None,
    flour_lot: str | None,
    seed: str | None,
    by: str | None,
    at: str | None,
    corrects: str | None,
    as_json: bool,
) -> None:
    """Say that JAR was fed, with the grams if you weighed them.

    If you enter it again within three hours, the later grams count, and whatever they leave out stays as entered first.
    Correct a feeding of the last week with --corrects (and its time with --at); if there was none: `jartide undo JAR
    feeding`.
    """
    if ctx.args:
        refuse(f"{' '.join(ctx.args)}: say what is what: jartide fed {jar} --starter-g 20 --flour-g 80 --water-g 80")
    settings = settings_from(config)
    jar_from(settings, jar)
    if flour_g == 0:
        refuse(f"--flour-g: 0; a feeding adds flour (if you only took some out: jartide note {jar} taken)")
    item = Fed(
        time_s=_when(at, settings),
        jar=jar,
        feeding=Feeding(
            starter_g=starter_g, flour_g=flour_g, water_g=water_g, flour=None if flour is None else _text(flour)
        ),
        flour_lot=label("--flour-lot", flour_lot),
        seed=label("--seed", seed),
        by=label("--by", by),
    )
    if corrects is not None:
        _put_right(settings, item, corrects, at, as_json)
        return
    kept = _tell(settings, item)
    if as_json:
        put_json(told_json(item) | kept.json)
        return
    when = "" if at is None else f" at {display(settings.display).clock(item.time_s, now_of(settings))}"
    say(f"{jar}: feeding noted{when}{ratio(item)}.{doubt(item)}{_as_usual(settings, item)}{kept.counts}")


def _put_right(settings: Settings, item: Fed, corrects: str, at: str | None, as_json: bool) -> None:
    """Correct a past feeding; what is not given again stays as it was."""
    now_s = now_of(settings)
    at_s = moment(corrects, calendar(settings.display.time_zone), now_s=now_s)
    with opened_store(settings.store.path) as store, said_if_not(item.jar):
        cycle = reported.feeding_near(store, item.jar, at_s)
        time_s = cycle.fed_at_s if at is None else item.time_s
        right = replace(reported.completed(item, cycle), time_s=time_s)
        report = reported.correct_feeding(store, item.jar, cycle.fed_at_s, now_s, right)
    kept = Kept(seq=report.seq, watching=watching(settings.store.path))
    if as_json:
        put_json(told_json(right) | {"corrects_s": cycle.fed_at_s} | kept.json)
        return
    clock = display(settings.display).clock
    moved = "" if at is None else f", at {clock(time_s, now_s)}"
    which = f"the feeding of {clock(cycle.fed_at_s, now_s)}"
    click.echo(f"{item.jar}: corrected: {which}{ratio(right)}{moved}.{doubt(right)}{kept.counts}")


def _as_usual(settings: Settings, item: Fed) -> str:
    """If not all grams were given: say that the usual ones are assumed, and how to correct that."""
    with opened_store(settings.store.path) as store:
        for report in reversed(reported.since(store, now_of(settings) - SAME_FEEDING_S)):
            told = report.item
            if isinstance(told, Fed) and told.jar == item.jar and abs(told.time_s - item.time_s) <= SAME_FEEDING_S:
                item = reported.completed(item, told)
    if item.feeding.grams is not None:
        return ""
    cycles, _ = past_cycles.from_store(settings.store.path, item.jar)
    usual = next((one.feeding for one in reversed(cycles) if one.feeding.ratio is not None), None)
    if usual is None:
        return ""
    some = item.feeding.weighed
    fed = with_usual(item.feeding, usual) if some else usual
    said = " + ".join(f"{grams:.3g}" for grams in fed.grams or ())
    what = "The rest is taken" if some else "Taken"
    return (
        f" {what} as usual, {said} g ({fed.ratio}); if not, enter it again with --starter-g, --flour-g and --water-g."
    )


@click.command()
@config_option
@click.argument("jar", shell_complete=jars)
@click.argument("what", metavar="WHAT", type=_What([one.value for one in Noting if one not in SEEN_ELSEWHERE]))
@click.argument("text", nargs=-1)
@by_option
@at_option
@json_option
def note(
    config: Path, jar: str, what: str, text: tuple[str, ...], by: str | None, at: str | None, as_json: bool
) -> None:  # fmt: skip
    """Write something about JAR into the notebook. The fridge has a command of its own, `jartide rest`.

    \b
    hooch        liquid on top: it is hungry
    mould        or pink, orange or black streaks: it goes in the bin
    smell        and what it smells of
    sour, mild   the bread was too sour, or too mild
    float_test   and whether it floated
    baked        baked with it
    discard      kept, used or thrown, and the grams: discard used 120
    remark       anything else; a sentence in quotes is one
    stirred      stirred down, not fed
    taken        some was taken out, not fed
    away, back   the jar is not under its sensor; it is again
    new_run      another jar or place, the same starter
    new_starter  another starter: what was learnt of the old one no longer counts
    """
    settings = settings_from(config)
    jar_from(settings, jar)
    noting, said = _noted_as(what, " ".join(text))
    said = _text(said)
    if noting is Noting.DISCARD and notebook.discard_of(said) is None:
        refuse(f'discard: "{said}"; write kept, used or thrown, and the grams, like "discard used 120"')
    noted = Noted(time_s=_when(at, settings), jar=jar, what=noting, text=said, by=label("--by", by))
    kept = _tell(settings, noted)
    answer = _answer(settings, noted)
    if as_json:
        put_json(told_json(noted) | kept.json | {"advice": _advice_json(settings, answer)})
        return
    click.echo(f"{jar}: noted.{kept.counts}")
    if answer is not None:
        say(display(settings.display).worded(f"{answer.say}\n(more: jartide guide {answer.guide})"))
    if answer is not None and answer.guide == "mould":
        if noting is not Noting.MOULD:
            click.echo(f"If it is so, note it: jartide note {jar} mould")
        click.echo(f"If it is another starter, enter: jartide note {jar} new_starter")
    elif noting is Noting.DISCARD:
        with opened_store(settings.store.path) as store:
            totals = notebook.discarded_g(store.noted(jar))
        click.echo(f"Discard so far: {notebook.discard_words(totals)}")


def _noted_as(what: str, text: str) -> tuple[Noting, str]:
    """The note that is meant: a word of the list with its text, or a sentence of one's own, which is a smell or a
    remark.

    >>> _noted_as("smells of nail varnish", "")
    (<Noting.SMELL: 'smell'>, 'nail varnish')
    """
    if " " not in what.strip():
        return Noting(what), text
    whole = f"{what} {text}".strip()
    smell = SMELLS.match(whole)
    return (Noting.REMARK, whole) if smell is None else (Noting.SMELL, whole[smell.end() :])


def _advice_json(settings: Settings, advice: Advice | None) -> dict[str, str] | None:
    if advice is None:
        return None
    return {"say": display(settings.display).worded(advice.say), "guide": advice.guide}


def _answer(settings: Settings, noted: Noted) -> Advice | None:
    """What a baker would say to that note."""
    from monitor.core.assess import answers  # only a note needs the starter's model and plans
    from monitor.core.forecast import starter_model as starter_models

    cycles, notes = past_cycles.from_store(settings.store.path, noted.jar)
    culture = starter_models.learned_from(history.over(cycles), settings.jar(noted.jar).flour)
    age = age_of(cycles, notes, now_of(settings))
    return answers.to_one(noted, age, culture)


@click.command()
@config_option
@click.argument("jar")
@click.argument("when", metavar="DATE|old|dried")
@json_option
def begun(config: Path, jar: str, when: str, as_json: bool) -> None:
    """Say when the starter in JAR was begun: a date like 2026-03-02, "old", or "dried" for one woken from flakes.

    Early gas is mostly not yeast, so its age decides what a rise is worth.
    """
    settings = settings_from(config)
    jar_from(settings, jar)
    said = when.strip().lower()
    now_s, show = now_of(settings), display(settings.display)
    if said not in (OLD, DRIED):
        try:
            day = day_of(said)
        except UnknownDay:
            refuse(f"DATE: {when!r}; write a date like 2026-03-02, or old, or dried")
        if day > local_day(now_s, show.offset_s):
            refuse(f"DATE: {when} is in the future; enter it when the starter has begun")
    noted = Noted(time_s=now_s, jar=jar, what=Noting.BEGUN, text=said)
    kept = _tell(settings, noted)
    answer = growing.FLAKES if said == DRIED else None
    if said not in (OLD, DRIED) and (days := local_day(now_s, show.offset_s) - day_of(said)) <= YOUNG_DAYS:
        answer = growing.told(days)
    if as_json:
        put_json(told_json(noted) | kept.json | {"advice": _advice_json(settings, answer)})
        return
    known = {OLD: "an old starter", DRIED: "woken from dried flakes"}.get(said, f"begun on {said}")
    click.echo(f"{jar}: {known}.{kept.counts}")
    if answer is not None:
        say(show.worded(f"{answer.say}\n(more: jartide guide {answer.guide})"))


@click.command()
@config_option
@click.argument("jar", shell_complete=jars)
@click.option("--over", is_flag=True, help="It is out of the fridge again.")
@click.option("--days", type=Within(0.5, 400.0), help="How many days you will be away, for advice on feeding.")
@by_option
@at_option
@json_option
def rest(
    config: Path, jar: str, over: bool, days: float | None, by: str | None, at: str | None, as_json: bool
) -> None:  # fmt: skip
    """Say that JAR goes into the fridge to rest: nothing is asked for until it is out again."""
    settings = settings_from(config)
    jar_from(settings, jar)
    noting, item_s = Noting.REST_OVER if over else Noting.REST, _when(at, settings)
    noted = Noted(time_s=item_s, jar=jar, what=noting, by=label("--by", by))
    kept = _tell(settings, noted)
    rested_s = None
    if over:
        with opened_store(settings.store.path) as store:
            rested_s = rest_began_s(store.told(jar, 0.0), item_s)
    advice = (
        resting.waking(None if rested_s is None else (item_s - rested_s) / DAY_S) if over else resting.going_in(days)
    )
    if as_json:
        put_json(told_json(noted) | kept.json | {"advice": _advice_json(settings, advice)})
        return
    click.echo(f"{jar}: {'out of the fridge again' if over else 'resting'}.{kept.counts}")
    say(display(settings.display).worded(f"{advice.say}\n(more: jartide guide {advice.guide})"))


@click.command()
@config_option
@click.argument("jar", shell_complete=jars)
@click.option("--hours", type=Within(*SNOOZE_H), default=3.0, show_default=True)
@by_option
@json_option
def snooze(config: Path, jar: str, hours: float, by: str | None, as_json: bool) -> None:
    """Hold back JAR's notices for some hours (those that cannot wait still come)."""
    settings = settings_from(config)
    jar_from(settings, jar)
    item = Noted(time_s=now_of(settings), jar=jar, what=Noting.SNOOZE, text=f"{hours:g}", by=label("--by", by))
    kept = _tell(settings, item)
    if as_json:
        put_json(told_json(item) | {"hours": hours} | kept.json)
        return
    click.echo(f"{jar}: no notices for {hours:g} h.{kept.counts}")


def rest_began_s(told: Iterable[object], before_s: float) -> float | None:
    """When it was last put to rest before that; None if nobody reported it."""
    rests = [one.time_s for one in told if isinstance(one, Noted) and one.what is Noting.REST and one.time_s < before_s]
    return max(rests, default=None)


def _when(text: str | None, settings: Settings) -> float:
    now_s = now_of(settings)
    time_s = moment(text, calendar(settings.display.time_zone), now_s=now_s)
    if time_s < now_s - OLDEST_S:
        raise click.BadParameter(f"{text} is more than three days ago: it no longer affects anything")
    return time_s


@contextmanager
def opened_store(path: Path) -> Iterator[Store]:
    """The store, with or without a daemon; exits if there is none or it cannot be used."""
    if not path.exists():
        refuse(f"{path}: there is no store yet; `jartide watch` or `jartide import` creates one")
    try:
        with Store.join(path) as store:
            yield store
    except StoreTrouble as error:
        mine = os.access(path, os.W_OK, effective_ids=True)
        who = "" if mine else "; run this as the user that `jartide watch` runs as, or as a member of the store's group"
        click.echo(f"{error}{who}", err=True)
        sys.exit(1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A report as it was kept: its place in the order of arrival, and whether a daemon picks it up now."""

    seq: int
    watching: bool

    @property
    def json(self) -> dict[str, Json]:
        """The part of it that goes into a command's JSON."""
        return {"seq": self.seq, "watching": self.watching}

    @property
    def counts(self) -> str:
        """A sentence to add if no daemon is running to pick it up."""
        return "" if self.watching else " `jartide watch` is not running: this counts when it next starts."


def _tell(settings: Settings, item: Fed | Noted) -> Kept:
    with opened_store(settings.store.path) as store, said_if_not(item.jar):
        seq = reported.tell(store, item, now_of(settings))
    return Kept(seq=seq, watching=watching(settings.store.path))


def watching(path: Path) -> bool:
    """Whether a daemon is using this store."""
    return lock.holder(path) is not None


@contextmanager
def said_if_not(jar: str) -> Iterator[None]:
    """If something cannot be corrected, say so and exit with 1."""
    try:
        yield
    except reported.CannotTakeBack as error:
        click.echo(f"{jar}: {error}.", err=True)
        sys.exit(1)


def _text(text: str) -> str:
    if len(text) > notebook.TEXT_CHARS:
        refuse(f"the text is {len(text)} characters long; at most {notebook.TEXT_CHARS} are kept")
    return text


def label(option: str, text: str | None) -> str | None:
    """An option's text, such as a lot or a name, stripped; exits with 2 if it is too long for a label."""
    said = None if text is None else text.strip()
    if said and len(said) > MOST_LABEL:
        refuse(f"{option}: {len(said)} characters; at most {MOST_LABEL} are kept")
    return said or None
