"""What came after the store was deleted, and could be written nowhere: at the end it begins the empty store that the
next start would begin. A broker sends again what was not acknowledged; a serial line does not.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence

from monitor.host.lock import StoreBusy, StoreLock
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import Settings
from monitor.sinks.recorder import Recorder, Unstored

log = logging.getLogger(__name__)


def take_along(settings: Settings, held: Sequence[Unstored], now_s: float) -> None:
    """Store what the watch could not, where nothing lies at the store's path; that this fails is only said."""
    path = settings.store.path
    if not held or path.exists():
        return
    try:
        with StoreLock(path), Store.open(path, now_s) as store:
            for jar in settings.jars:
                store.ensure_run(jar, now_s)
            recorder = Recorder(store, 0)
            for thing in held:
                recorder.take(thing, 0.0)
            recorder.commit(0.0)
            trouble = recorder.trouble
    except (StoreBusy, StoreTrouble, OSError) as error:
        trouble = str(error)
    if trouble is None:
        log.warning("%s was deleted or moved away in use: a new one was begun with what came since", path)
    else:
        log.error("what came since %s was deleted could not be stored: %s", path, trouble)
