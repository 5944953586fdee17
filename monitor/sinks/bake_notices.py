"""Watches planned bakes in its own thread: it announces each feeding when it is due, and if the jar turns out faster or
slower than expected it plans the rest again and announces what has moved. Between the store's kept bakes and the
outbox; `runs.bake_plans` decides.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from pathlib import Path

from monitor.core.assess.thrown_away import condemned
from monitor.core.display.units import Display, shown
from monitor.core.notify.conditions import Kind
from monitor.core.notify.due import quiet_hours_until
from monitor.core.plan import phrases
from monitor.core.plan.waking import awake_by
from monitor.host.heartbeat import working
from monitor.host.worker import Worker
from monitor.runs import bake_plans, kept_bake, outbox
from monitor.runs.bake_plans import Looked
from monitor.runs.kept_bake import KeptBake
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import JarSettings, Settings
from monitor.sinks.worker_sink import WorkerSink
from monitor.values import DAY_S, Notice

log = logging.getLogger(__name__)

EVERY_S = 120.0  # feedings are planned to the quarter of an hour
FIRST_S = 20.0  # after a start there is better to do
EXPIRES_S = 6 * 3600.0


class BakeNotices(WorkerSink):
    """All jars' kept bakes as a sink."""

    advice = "Watching continues; `jartide bake --jar JAR` shows what to feed when."

    def __init__(self, settings: Settings, wall: Callable[[], float], show: Display) -> None:
        self._settings, self._wall, self._show = settings, wall, show
        self._path: Path = settings.store.path
        super().__init__(Worker("bakes", self._turn, first_s=FIRST_S))

    def _turn(self) -> float:
        try:
            with Store.join(self._path) as store, working():
                look_at_all(store, self._settings, self._wall(), self._show)
            self._trouble = None
        except StoreTrouble as error:
            self._trouble = f"planned bakes cannot be checked: {error}"
            log.warning("%s", self._trouble)
        return EVERY_S


def look_at_all(store: Store, settings: Settings, now_s: float, show: Display) -> None:
    """Put the notices of the bakes to come into the outbox, and keep what was planned again. Raises
    StoreTrouble."""
    for jar in settings.jars:
        bake = kept_bake.kept(store, jar.name)
        if bake is None or bake.asked.wanted_s <= now_s or condemned(store.noted(jar.name, now_s)) is not None:
            continue
        try:
            looked = bake_plans.look(store, jar, bake, now_s, show, awake_by(show.offset_s, settings.notices))
        except ValueError as error:  # the hour is too near for whatever was asked
            log.warning("the bake of %s: %s", jar.name, error)
            continue
        if looked.replanned is None and looked.remind is None:
            continue
        with store.writing():
            outbox.put(store, _notices(store, settings, jar, bake, looked, now_s, show), now_s)
            bake_plans.keep_replanned(store, jar.name, bake, looked, now_s)


def _notices(
    store: Store, settings: Settings, jar: JarSettings, bake: KeptBake, looked: Looked, now_s: float, show: Display
) -> Sequence[Notice]:
    """What is to be sent about a bake; none of the kinds that the config leaves out, and not in its quiet hours."""
    cycle = bake_plans.open_cycle_of(store, jar.name)
    number = 0 if cycle is None else cycle.number
    quiet_s = quiet_hours_until(settings.notices, now_s, show)
    sent = [one.notice.kind for one in outbox.of_jar(store, jar.name, number)]
    return [
        Notice(
            jar=jar.name,
            cycle=number,
            kind=kind,
            repeat=sent.count(kind),
            due_s=now_s if quiet_s is None or kind in settings.notices.quiet_except else quiet_s,
            expires_s=max(now_s, quiet_s or now_s) + EXPIRES_S,
            title=title,
            text=show.worded(text),
        )
        for kind, title, text in (_feeding_due(jar, bake, looked, show), _plan_moved(jar, bake, looked, show))
        if text and kind not in settings.notices.leave_out
    ]


def _feeding_due(jar: JarSettings, bake: KeptBake, looked: Looked, show: Display) -> tuple[Kind, str, str]:
    """That it is time for a feeding on the way to the bake: kind, title, text; the text is "" when it is not."""
    text = ""
    if looked.remind is not None:
        at_s, fed = looked.remind
        weigh = phrases.weigh(fed) if fed.grams else "as planned"
        until_s = min((later_s for later_s, _ in looked.to_come if later_s > at_s + DAY_S), default=None)
        soon = any(0.0 < later_s - at_s <= DAY_S for later_s, _ in looked.to_come)
        if bake.asked.fridge and until_s is not None and not soon:
            weigh += f"; let it begin to rise, an hour or so, and put it in the fridge until {show.stamp(until_s)}"
        when = show.stamp(bake.asked.wanted_s)
        text = f"For the dough you mix {when}: {weigh}. Then say so (`jartide fed`, or Fed on the page)."
    return Kind.BAKE_FEEDING, f"Feed {shown(jar.name)} for the bake", text


def _plan_moved(jar: JarSettings, bake: KeptBake, looked: Looked, show: Display) -> tuple[Kind, str, str]:
    """That the plan had to change: kind, title, text; the text is "" when it holds."""
    text, again = "", looked.replanned
    if again is not None:
        late = again.met is False and bake.met
        if looked.moved or late:
            instead = "".join(f" Instead: {one}." for one in again.instead) if late else ""
            because = f" {again.because}" if late else ""
            when = show.stamp(bake.asked.wanted_s)
            text = f"For the dough you mix {when}: {' '.join(looked.moved)}{because}{instead}".strip()
    return Kind.BAKE_MOVED, f"New plan for the bake with {shown(jar.name)}", text
