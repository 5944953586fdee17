"""What is expected of the jars and planned for them, as a calendar that phones subscribe to (RFC 5545, by icalendar).

An outlook, not an alarm: clients fetch it when they like, every few minutes or once a day. The address is the secret:
whoever has it may read, so the calendar has only times, names of jars and grams, and the address can be replaced.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from monitor.core.display.units import Display
from monitor.core.plan import phrases
from monitor.page.sessions import Seal
from monitor.runs import daemon_status, kept_bake
from monitor.runs.store import Store
from monitor.values import JarState, Span

NONCE = "calendar address"  # its key in the store; a new value makes new addresses
MOVED_S = 600.0  # a forecast that moves by less does not change its event
CERTAIN = 10_000  # the version of what has happened: higher than that of any forecast
LASTS_S = 900.0  # shown in a calendar; a feeding takes a quarter of an hour
EVERY = timedelta(minutes=15)  # how often a client is asked to come


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One event. `uid` stays while a forecast moves, `version` counts up; `tentative`: it is only expected."""

    uid: str
    at_s: float
    title: str
    text: str
    tentative: bool
    version: int
    stamp_s: float


def nonce(store: Store) -> str:
    """The value from which the present addresses are made. Raises StoreTrouble."""
    return store.meta(NONCE) or ""


def revoke(store: Store) -> str:
    """Replace all addresses, by a new `nonce`. Raises StoreTrouble."""
    made = secrets.token_hex(4)
    store.set_meta(NONCE, made)
    return made


def addresses(seal: Seal, nonce: str, names: Sequence[str]) -> dict[str, str]:
    """Each jar's name -> the path of its calendar; first the one of all jars, under ""."""
    every = {"": seal.address(f"calendar {nonce}")}
    return {
        name: f"calendar/{secret}.ics"
        for name, secret in (every | {name: seal.address(f"calendar {nonce} {name}") for name in names}).items()
    }


def feed(store: Store, jars: Iterable[str], instance: str, address: str | None, show: Display) -> tuple[bytes, str]:
    """The calendar of these jars, and a tag that changes with it. Raises StoreTrouble."""
    from icalendar import Calendar, Event

    whole = Calendar()
    whole.add("prodid", "-//jartide//outlook//EN")
    whole.add("version", "2.0")
    whole.add("method", "PUBLISH")
    whole.add("x-wr-calname", "Jars")
    whole.add("refresh-interval", EVERY, parameters={"VALUE": "DURATION"})
    whole.add("x-published-ttl", "PT15M")
    for entry in _entries(store, set(jars), instance, show):
        event = Event()
        event.add("uid", entry.uid)
        event.add("dtstamp", datetime.fromtimestamp(entry.stamp_s, UTC))
        event.add("last-modified", datetime.fromtimestamp(entry.stamp_s, UTC))
        event.add("dtstart", datetime.fromtimestamp(entry.at_s, UTC))
        event.add("dtend", datetime.fromtimestamp(entry.at_s + LASTS_S, UTC))
        event.add("summary", entry.title)
        event.add("description", entry.text)
        event.add("status", "TENTATIVE" if entry.tentative else "CONFIRMED")
        event.add("sequence", entry.version)
        event.add("transp", "TRANSPARENT")
        event.add("categories", ["jartide"])
        if address:
            event.add("url", address)
        whole.add_component(event)
    body: bytes = whole.to_ical()
    return body, hashlib.blake2b(body, digest_size=12).hexdigest()


def _entries(store: Store, jars: set[str], instance: str, show: Display) -> Iterator[Entry]:
    status = daemon_status.read(store)
    for state in status.jars if status else ():
        if state.jar in jars:
            yield from _of_jar(state, instance, show)
            yield from _bake(store, state.jar, instance, state.now_s, show)


def _of_jar(state: JarState, instance: str, show: Display) -> Iterator[Entry]:
    cycle, forecast = state.cycle, state.forecast
    if cycle is None:
        return
    fed_s = cycle.fed_at_s
    made_s = forecast.made_at_s if forecast is not None else fed_s

    def entry(kind: str, at_s: float, title: str, span: Span | None) -> Entry:
        if span is None:
            version, stamp_s, text = CERTAIN, at_s, "It began then."
        else:
            version = max(0, int((made_s - fed_s) // MOVED_S))
            stamp_s = fed_s + version * MOVED_S
            low, high, made = (show.clock(one_s, made_s) for one_s in (span.earliest_s, span.latest_s, made_s))
            text = f"Between {low} and {high}, as of {made}."
        uid = f"{kind}-{state.jar}-{fed_s:.0f}@{instance}.jartide"
        return Entry(
            uid=uid, at_s=at_s, title=title, text=text, tentative=span is not None, version=version, stamp_s=stamp_s
        )

    if cycle.fall_at_s is not None:
        yield entry("feed", cycle.fall_at_s, f"Feed {state.jar} now", None)
    elif forecast is not None and (span := forecast.fall_at) is not None:
        yield entry("feed", span.likely_s, f"Feed {state.jar} (expected)", span)
    if cycle.peak_at_s is not None:
        yield entry("peak", cycle.peak_at_s, f"{state.jar} at its peak", None)
    elif forecast is not None and (span := forecast.peak_at) is not None:
        yield entry("peak", span.likely_s, f"{state.jar} at its peak (expected)", span)


def _bake(store: Store, jar: str, instance: str, now_s: float, show: Display) -> Iterator[Entry]:
    """The feedings to come of the bake that was planned last, and the mixing."""
    kept = kept_bake.kept(store, jar)
    if kept is None:
        return
    wanted_s = kept.asked.wanted_s
    moments = [
        (at_s, f"Feed {jar} for the bake", phrases.weigh(fed) if fed.grams else "") for at_s, fed in kept.feedings
    ]
    for number, (at_s, title, words) in enumerate([*moments, (wanted_s, f"Mix the dough with {jar}", "")]):
        if at_s > now_s:
            says = f"{show.worded(words)}. " if words else ""
            yield Entry(
                uid=f"bake-{jar}-{wanted_s:.0f}-{number}@{instance}.jartide", at_s=at_s, title=title,
                text=f"{says[:1].upper()}{says[1:]}`jartide bake --jar {jar}` plans it again.", tentative=False,
                version=0, stamp_s=wanted_s - 7 * 86_400.0,
            )  # fmt: skip
