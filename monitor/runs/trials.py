"""Trials: which jars are compared under a name, and during which time their cycles count. Kept among the store's small
texts; `core.assess.trial` judges what they show. The command and the page begin and end them by these functions.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from monitor.runs import history
from monitor.runs.store import Store
from monitor.values import Cycle

KEY = "trial:"  # before a trial's name
MOST_NAME = 60
LEAST_JARS, MOST_JARS = 2, 8  # as many lines as a chart can distinguish by sign, dash and colour


class CannotTry(ValueError):
    """A trial cannot be begun, ended or forgotten; the text says why, in one sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialRecord:
    """What is stored about one trial. Cycles fed from `since_s` on and before `until_s` count."""

    name: str
    jars: tuple[str, ...]
    since_s: float
    until_s: float = math.inf

    @property
    def ended(self) -> bool:
        """Whether it has ended: cycles fed since then do not count."""
        return self.until_s < math.inf


def every(store: Store) -> list[TrialRecord]:
    """All trials, by name. Raises StoreTrouble."""
    rows = store.query("SELECT key, value FROM meta WHERE key LIKE ? ORDER BY key", (f"{KEY}%",))
    return [_of(key.removeprefix(KEY), text) for key, text in rows]


def named(store: Store, name: str) -> TrialRecord | None:
    """The trial with that name; None where there is none. Raises StoreTrouble."""
    text = store.meta(KEY + name)
    return None if text is None else _of(name, text)


def keep(store: Store, record: TrialRecord) -> TrialRecord:
    """Store a trial, new or changed. Raises CannotTry and StoreTrouble."""
    if not 1 <= len(record.name) <= MOST_NAME or not record.name.isprintable() or record.name != record.name.strip():
        raise CannotTry(f"a trial's name must have 1 to {MOST_NAME} characters")
    if not LEAST_JARS <= len(set(record.jars)) <= MOST_JARS:
        raise CannotTry(f"a trial needs two jars or more, at most {MOST_JARS}")
    kept = {"jars": list(record.jars), "since_s": record.since_s}
    store.set_meta(KEY + record.name, json.dumps(kept | ({"until_s": record.until_s} if record.ended else {})))
    return record


def begin(store: Store, name: str, jars: Sequence[str], now_s: float) -> TrialRecord:
    """Begin a trial under a name that is free. Raises CannotTry and StoreTrouble."""
    with store.writing():
        if named(store, name) is not None:
            raise CannotTry(f"there is already a trial {name[:MOST_NAME]!r}: choose another name")
        return keep(store, TrialRecord(name=name, jars=tuple(dict.fromkeys(jars)), since_s=now_s))


def end(store: Store, name: str, now_s: float) -> TrialRecord:
    """End a trial: cycles fed from now on do not count. Raises CannotTry and StoreTrouble."""
    with store.writing():
        return keep(store, replace(_there(store, name), until_s=now_s))


def forget(store: Store, name: str) -> TrialRecord:
    """Forget a trial; its jars and their cycles stay. Raises CannotTry and StoreTrouble."""
    with store.writing():
        found = _there(store, name)
        store.forget_meta(KEY + name)
        return found


def cycles(store: Store, record: TrialRecord) -> dict[str, list[Cycle]]:
    """The cycles of each jar that count. Raises StoreTrouble."""
    return {
        jar: [one for one in history.from_store(store, jar) if record.since_s <= one.fed_at_s < record.until_s]
        for jar in record.jars
    }


def _there(store: Store, name: str) -> TrialRecord:
    found = named(store, name)
    if found is None:
        raise CannotTry(f"there is no trial {name[:MOST_NAME]!r}")
    return found


def _of(name: str, text: str) -> TrialRecord:
    kept = json.loads(text)
    return TrialRecord(
        name=name,
        jars=tuple(map(str, kept["jars"])),
        since_s=float(kept["since_s"]),
        until_s=float(kept.get("until_s", math.inf)),
    )
