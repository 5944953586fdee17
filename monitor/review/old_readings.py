"""How old the readings are that advice rests on: said by every command and view that judges a jar as it is now, once a
sensor counts as silent, or where nobody watches.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.core.detect.timeouts import silent_after_s
from monitor.core.display.units import Display, duration
from monitor.core.plan.sheet import NOT_FED
from monitor.runs import daemon_status
from monitor.runs.store import Store
from monitor.settings import JarSettings

NAMED = 3  # jars in one line; more are counted


@dataclass(frozen=True, slots=True, kw_only=True)
class OldReading:
    """A jar whose last reading is older than its sensor's usual silence; `watched` where a daemon still writes."""

    jar: str
    last_s: float
    watched: bool


def of_store(store: Store, jars: Iterable[JarSettings], now_s: float) -> tuple[OldReading, ...]:
    """Those of these jars; none that rest or are away. Raises StoreTrouble."""
    status = daemon_status.read(store)
    if status is None:
        return ()
    states = {state.jar: state for state in status.jars if state.stage not in NOT_FED}
    watched = now_s - status.as_of_s <= daemon_status.STALE_S
    found = []
    for jar in jars:
        state = states.get(jar.name)
        last_s = None if state is None else state.last_reading_s
        if state is not None and last_s is not None and now_s - last_s > silent_after_s(state.sampling_s, jar):
            found.append(OldReading(jar=jar.name, last_s=last_s, watched=watched))
    return tuple(found)


def words(old: Sequence[OldReading], show: Display, now_s: float) -> str | None:
    """One sentence about them; None where there are none.

    >>> words([OldReading(jar="rye", last_s=0.0, watched=True)], Display(), 23_400.0)
    'No reading of rye since 00:00 (6 h 30 min ago): what is said of it was known then.'
    """
    if not old:
        return None
    names = [one.jar for one in old]
    who = f"{len(names)} jars" if len(names) > NAMED else " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))
    last_s = max(one.last_s for one in old)
    it = "it" if len(names) == 1 else "them"
    running = "" if all(one.watched for one in old) else " Is `jartide watch` running?"
    return (
        f"No reading of {who} since {show.clock(last_s, now_s)} ({duration(now_s - last_s)} ago): what is said of {it} "
        f"was known then.{running}"
    )
