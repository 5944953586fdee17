"""Where watching a jar continues after a restart, or begins when it has to be judged again: for `jars`.

It begins with the last carry that can be read, in whichever run that lies, and goes on through all items since, from
run to run, so that a run that was ended meanwhile is judged to its end. Where no carry can be read (as another version
wrote them), the open run is judged from its beginning.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from dataclasses import dataclass, replace

from monitor.core.detect import step
from monitor.core.detect.step import DetectorState
from monitor.core.forecast import starter_model
from monitor.runs.run_log import BEGUN_BY_NOTE, since_item
from monitor.runs.store import Run, Store
from monitor.settings import JarSettings

log = logging.getLogger(__name__)

UNREADABLE = (KeyError, TypeError, ValueError, AttributeError)  # what another version, or a damaged disk, has left


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """Step what came after item `seq`, beginning with `state`, first in the first of `runs` and then in the others."""

    seq: int
    state: DetectorState
    runs: list[Run]


def start(store: Store, jar: JarSettings, last_seq: int) -> Start:
    """Where to begin in order to arrive at item `last_seq`. Raises StoreTrouble."""
    wrong = store.mistakes(jar.name)
    not_so = tuple(wrong.not_so)
    runs = [run for run in store.live_runs(jar.name) if run.first_seq <= last_seq + (not begun_by_item(run))]
    unreadable = False
    for seq, body in store.carries(jar.name, last_seq):
        since = since_item(runs, seq)
        try:
            restored = step.restore(json.loads(body), settings_in(since[0], jar))
            starter_model.from_json(restored.carried) if restored.carried else None
            restored.not_so = not_so
            return Start(seq=seq, state=restored, runs=since)
        except UNREADABLE as error:
            log.error("%s: what was kept of it cannot be read (as of item %d: %r)", jar.name, seq, error)
            unreadable = True
    if unreadable:
        log.error("%s: all readings since it was put under its sensor are judged again", jar.name)
    seq = runs[-1].first_seq - 1
    if not unreadable:  # there was no carry yet, or it was dropped with what was taken back
        seq = min([seq, *(one - 1 for one in wrong.told), *(one.seq - 1 for one in wrong.standing.values())])
    runs = since_item(runs, seq + 1)
    return Start(seq=runs[0].first_seq - 1, state=_begun(store, jar, runs[0], not_so), runs=runs)


def stretches(start: Start, last_seq: int) -> Iterator[tuple[Run, int, int]]:
    """(run, first item, last item) to be stepped, in order; a run may have none."""
    for number, run in enumerate(start.runs):
        first = start.seq + 1 if number == 0 else run.first_seq
        last = start.runs[number + 1].first_seq - 1 if number + 1 < len(start.runs) else last_seq
        yield run, first, last


def _begun(store: Store, jar: JarSettings, run: Run, not_so: tuple[str, ...]) -> DetectorState:
    """A jar at the beginning of a run, with what was learnt about its starter before. Raises StoreTrouble."""
    try:
        learnt = store.culture_before(run)
        starter_model.from_json(learnt) if learnt else None
    except UNREADABLE:
        learnt = {}
    return step.begin(settings_in(run, jar), learnt, not_so)


def settings_in(run: Run, jar: JarSettings) -> JarSettings:
    """The jar's settings as they were in a run: another jar may be there since."""
    return replace(jar, empty_mm=run.empty_mm, geometry=run.geometry)


def begun_by_item(run: Run) -> bool:
    """Whether a person asked for the run: then its first item is that request, and is stepped."""
    return run.reason in BEGUN_BY_NOTE.values()
