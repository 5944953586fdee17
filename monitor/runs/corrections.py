"""Corrects past decisions openly after a jar was judged again, because a report was taken back or because another
version of this program may decide differently.

Nothing decided is ever unstored: a `taken_back` event names what does not stand any more. Cycles are what is known now,
so those that never were go; notices of a cycle follow it to its new number, so that nothing is announced twice and
nothing is held back because another cycle had its number. `correct` joins an enclosing `with store.writing():`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf

from monitor.core.detect.superseded import SAME_FEEDING_S, name_of, not_superseded
from monitor.runs import outbox
from monitor.runs.store import Run, Store
from monitor.values import Cycle, Event, EventKind, Json


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """Why a jar was judged again: `evidence`, of the time `happened_at_s`, as was known at item `mark`. All that was
    decided at item `from_seq` or after it was decided once more."""

    from_seq: int
    mark: int
    evidence: Mapping[str, Json]
    happened_at_s: float
    decided_at_s: float
    until_s: float = inf  # a machine that starts with its clock behind has yet to come to what was decided later


def correct(store: Store, run: Run, why: Correction, again: Iterable[Event], known: Sequence[Cycle], last: int) -> None:
    """Replace what a run has of events since `why.from_seq` that were not decided `again`, and forget the cycles after
    number `last`. `known` are the run's cycles as they were kept before they were judged again. Raises StoreTrouble."""
    before, since = store.events_about(run.id, why.from_seq)
    decided = list(again)
    stands = {name_of(event) for event in (*not_superseded(before), *decided)}
    wrong = {name_of(one) for one in not_superseded(since) if one.decided_at_s <= why.until_s} - stands
    held = {name_of(one) for one in not_superseded([*before, *since])}
    later = [one for one in since if one.decided_at_s > why.until_s]
    back = [one for one in not_superseded([*before, *decided, *later]) if name_of(one) not in held]
    # it was said not to hold, or gave way to what is not decided again, and holds after all: the store keeps one event
    # for its times, so it is decided now
    restored = [replace(one, decided_at_s=max(one.decided_at_s, why.decided_at_s), replaces=None) for one in back]
    store.add_events(run.jar, why.mark, restored, run.first_seq)
    if not wrong:
        return
    event = Event(
        kind=EventKind.TAKEN_BACK,
        jar=run.jar,
        happened_at_s=why.happened_at_s,
        decided_at_s=why.decided_at_s,
        evidence=why.evidence,
        replaces=" ".join(sorted(wrong)),
    )
    store.add_events(run.jar, why.mark, [event], run.first_seq)
    store.forget_cycles(run.id, last)
    outbox.renumber(store, run.jar, run.id, _numbers(known, store.cycles(run.id)), why.mark)


def _numbers(known: Sequence[Cycle], now: Sequence[Cycle]) -> dict[int, int | None]:
    """The number that each known cycle has now, by its feeding; None for one that is not there any more."""
    left = list(now)
    numbers: dict[int, int | None] = {}
    for cycle in known:
        same = min(left, key=lambda one: abs(one.fed_at_s - cycle.fed_at_s), default=None)
        if same is not None and abs(same.fed_at_s - cycle.fed_at_s) <= SAME_FEEDING_S:
            left.remove(same)
            numbers[cycle.number] = same.number
        else:
            numbers[cycle.number] = None
    return numbers
