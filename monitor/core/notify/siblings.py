"""Notices about a jar, or a sensor, that differs from the rest of its group. `due` looks at single jars;
`core.assess.siblings` and `neighbours` find these."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from monitor.core.assess.neighbours import Drift, drifting, words
from monitor.core.assess.siblings import Unlike, unlike
from monitor.core.display.units import Display, shown
from monitor.core.notify.conditions import Kind
from monitor.core.notify.due import quiet_hours_until
from monitor.settings import JarSettings, NoticeSettings
from monitor.values import DAY_S, Cycle, JarState, Notice

AGAIN_S = 14 * DAY_S  # between two notices: somebody who has not fixed it in two weeks may have forgotten
APART = (Kind.UNLIKE_SIBLINGS, Kind.SENSOR_DRIFTS)


def group_notices(
    states: Sequence[JarState],
    cycles: Mapping[str, Sequence[Cycle]],
    jars: Mapping[str, JarSettings],
    told: Collection[tuple[str, str]],
    settings: NoticeSettings,
    now_s: float,
    display: Display,
) -> tuple[Notice, ...]:
    """The notices about one group's jars now. `told` are the (jar, kind) that went out within `AGAIN_S`."""
    if quiet_hours_until(settings, now_s, display) is not None:
        return ()
    numbers = {one.jar: one.cycle.number for one in states if one.cycle is not None}
    found: dict[tuple[str, Kind], tuple[str, str]] = {}
    for odd in unlike(cycles):
        found.setdefault((odd.jar, Kind.UNLIKE_SIBLINGS), _of_jar(odd))
    for drift in drifting(states, jars):
        found.setdefault((drift.jar, Kind.SENSOR_DRIFTS), _of_sensor(drift, display))
    return tuple(
        Notice(
            jar=jar, cycle=numbers.get(jar, 0), kind=kind, repeat=0, due_s=now_s, expires_s=now_s + 2 * DAY_S,
            title=title, text=text,
        )
        for (jar, kind), (title, text) in found.items()
        if kind not in settings.leave_out and (jar, kind) not in told
    )  # fmt: skip


def _of_jar(odd: Unlike) -> tuple[str, str]:
    said = odd.words.removeprefix(odd.jar)
    return (
        f"{shown(odd.jar)} differs from the others in its group",
        f"{shown(odd.jar)}{said}. Is it fed like the others, is it in a colder place, is its sensor straight? "
        "Its curves beside theirs are on the page.",
    )


def _of_sensor(drift: Drift, display: Display) -> tuple[str, str]:
    more = drift.off > 0.0
    if drift.measure == "temperature_c":
        why = f"Is it in a {'warm' if more else 'cold'} place? If not, its thermometer drifts: compare the two."
    else:
        why = "If it was fed like the others, its sensor drifts or is crooked: clean it, then jartide calibrate."
    said = words(drift, display).removeprefix(drift.jar)
    return (
        f"{shown(drift.jar)}: its sensor differs from the others",
        f"{shown(drift.jar)}{said}. {why} Its curve beside theirs is on the page.",
    )
