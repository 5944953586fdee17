"""Makes the feeding sheet from the store, for `jartide sheet` and the page.

Between what the daemon stored about each jar and `core.plan.sheet`. A feeding that was reported since counts
immediately, so that a jar that was just ticked off does not stay on the sheet until the next minute.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from monitor.core.assess.neighbours import Drift, drifting
from monitor.core.assess.siblings import TOGETHER_S, Unlike, unlike
from monitor.core.assess.thrown_away import condemned
from monitor.core.plan.sheet import Sheet, SheetJar, sheet, usual_feeding
from monitor.runs import daemon_status, history, reported
from monitor.runs.store import Store
from monitor.settings import JarSettings, Settings
from monitor.values import Cycle, Fed, JarState, Stage

CURVES_BESIDE = 2  # with its own, as many as can be distinguished at a glance


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeSheet:
    """The sheet; the jars, and the sensors, that differ from the rest of their group, each with the RUN:CYCLEs that
    show it (its own first); and who fed each jar last, where that was reported."""

    sheet: Sheet
    odd: tuple[Unlike, ...]
    curves: dict[str, tuple[str, ...]]
    drifts: dict[Drift, tuple[str, ...]]
    fed_by: dict[str, str]


# branches: a field a line, most of them None where something is not known
def of_store(
    store: Store, settings: Settings, now_s: float, hours: float, group: str | None = None
) -> MadeSheet:  # fmt: skip
    """The sheet of the configured jars, or of one group. Raises StoreTrouble."""
    wanted = [jar for jar in settings.jars if group is None or jar.group == group]
    status = daemon_status.read(store)
    cycles = {jar.name: history.of_starter(store, jar.name) for jar in wanted}
    states = {state.jar: state for state in status.jars} if status is not None else {}
    since_s = status.as_of_s if status is not None else 0.0
    told = {one.item.jar: one.item for one in reported.since(store, since_s) if isinstance(one.item, Fed)}
    groups = sorted({jar.group for jar in wanted if jar.group is not None})
    odd = [
        one for name in groups for one in unlike({jar.name: cycles[jar.name] for jar in wanted if jar.group == name})
    ]
    names = {jar.name: [other.name for other in wanted if other.group == jar.group] for jar in wanted}
    curves = {one.jar: _curves(store, one.jar, names[one.jar]) for one in odd}
    by_name = {jar.name: jar for jar in wanted}
    shelves = [[states[jar.name] for jar in wanted if jar.group == name and jar.name in states] for name in groups]
    drifts = {one: _open_cycles(store, states, one) for shelf in shelves for one in drifting(shelf, by_name)}
    jars = [
        _jar(
            states.get(jar.name), told.get(jar.name), jar, cycles[jar.name],
            condemned=condemned(store.noted(jar.name, now_s)) is not None,
        )
        for jar in wanted
    ]  # fmt: skip
    last = {jar.name: reported.last_feeding(store, jar.name) for jar in wanted}
    by = {name: fed.by for name, fed in last.items() if fed is not None and fed.by}
    return MadeSheet(sheet=sheet(jars, now_s, hours), odd=tuple(odd), curves=curves, drifts=drifts, fed_by=by)


def _curves(store: Store, odd: str, siblings: Sequence[str]) -> tuple[str, ...]:
    """A jar's latest rise, and those of two siblings that were fed with it and are most like the rest."""
    mine = history.latest_rises(store, odd, 1)
    if not mine:
        return ()
    run, cycle = mine[0]
    beside: list[tuple[float, str]] = []
    for jar in siblings:
        for its_run, its in history.latest_rises(store, jar, 2) if jar != odd else ():
            if its.peak_at_s is not None and abs(its.fed_at_s - cycle.fed_at_s) <= TOGETHER_S:
                beside.append((its.peak_at_s - its.fed_at_s, f"{its_run}:{its.number}"))
    middle_s = median(hours_s for hours_s, _ in beside) if beside else 0.0
    near = sorted(beside, key=lambda one: abs(one[0] - middle_s))[:CURVES_BESIDE]
    return (f"{run}:{cycle.number}", *(key for _, key in near))


def _open_cycles(store: Store, states: Mapping[str, JarState], drift: Drift) -> tuple[str, ...]:
    """The open cycles of a jar and of its neighbours."""
    found = []
    for jar in (drift.jar, *drift.beside):
        run, cycle = store.open_run(jar), states[jar].cycle
        if run is not None and cycle is not None:
            found.append(f"{run.id}:{cycle.number}")
    return tuple(found)


def _jar(
    state: JarState | None, told: Fed | None, jar: JarSettings, cycles: Sequence[Cycle], *, condemned: bool
) -> SheetJar:
    cycle = state.cycle if state else None
    span = state.forecast.fall_at if state and state.forecast else None
    fed_s = cycle.fed_at_s if cycle else None
    fed_since = told is not None and (fed_s is None or told.time_s > fed_s)
    return SheetJar(
        name=jar.name,
        stage=Stage.SETTLING if fed_since else state.stage if state else Stage.UNKNOWN,
        fed_at_s=told.time_s if fed_since and told is not None else fed_s,
        fall_at_s=cycle.fall_at_s if cycle and not fed_since else None,
        expected_fall_s=span.likely_s if span and not fed_since else None,
        group=jar.group,
        usual=usual_feeding(cycles),
        cycle_h=jar.cycle_h,
        flour=jar.flour,
        condemned=condemned,
    )
