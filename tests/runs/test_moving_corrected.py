"""A jar moves whose feedings were put right, taken back or seen where there was none: what stands goes along, as it
stands, and what is told later of the moved cycle is corrected there as it would have been at home."""

from __future__ import annotations

from pathlib import Path

from monitor.runs import history, lots, reported
from monitor.runs.store import Store
from monitor.values import EventKind, Fed, Feeding
from tests.page_house import settings_of
from tests.runs.test_moving import BEGIN_S, Steady, config, events, house, live, moved

FIRST_H, THEN_H = 13.5, 8.0  # it moves an hour and a half after its second feeding
EVERY_S = 300.0
SECOND_S = BEGIN_S + 12 * 3600.0
RIGHT = Fed(
    time_s=SECOND_S,
    jar="a",
    feeding=Feeding(starter_g=10, flour_g=50, water_g=60, flour="white"),
    flour_lot="W7",
    seed="M",
    by="Jo",
)


def corrected(kitchen: Steady) -> None:
    """The second feeding had other grams; a third was a slip, taken back."""
    store = kitchen.store
    second = history.of_starter(store, "a")[-1]
    reported.correct_feeding(store, "a", second.fed_at_s, kitchen.now_s, RIGHT)
    live(kitchen, 0.1)
    store.tell(
        Fed(
            time_s=kitchen.now_s - 60.0,
            jar="a",
            feeding=Feeding(starter_g=1, flour_g=2, water_g=3),
        ),
        kitchen.now_s,
    )
    live(kitchen, 0.1)
    reported.take_back(store, "a", kitchen.now_s)
    live(kitchen, 0.1)


def grams(store: Store) -> list[tuple[float | None, ...]]:
    fed = [one for one in history.of_starter(store, "a") if one.feeding.flour_g is not None]
    return [(one.fed_at_s, *one.feeding.weights.values()) for one in fed]


def traced(store: Store) -> list[tuple[object, ...]]:
    fed = lots.feedings(store, {"a": "rye"})["a"]
    return [(one.starter_g, one.flour, one.flour_lot, one.seed, one.by) for one in fed]


def again(kitchen: Steady) -> None:
    """Once more put right, hours after: then it lies in the run that went along."""
    cycle = history.of_starter(kitchen.store, "a")[-1]
    later = Fed(
        time_s=cycle.fed_at_s,
        jar="a",
        feeding=Feeding(starter_g=11, flour_g=55, water_g=66),
    )
    reported.correct_feeding(kitchen.store, "a", cycle.fed_at_s, kitchen.now_s, later)
    live(kitchen, 0.1)


def test_what_was_put_right_and_taken_back_is_the_same_after_a_move(tmp_path: Path) -> None:
    stayed, first = (Steady(house(tmp_path / name, "a"), BEGIN_S, every_s=EVERY_S) for name in ("stayed", "one"))
    for kitchen in (stayed, first):
        live(kitchen, FIRST_H)
        corrected(kitchen)
    target = house(tmp_path / "two", "c")
    Steady(target, BEGIN_S).store.close()
    before, at_s = grams(first.store), first.now_s
    first.store.close()
    moved(config(first.settings, "a"), config(target, "c"), at_s)
    second = Steady(settings_of(target.store.path.parent, ["c", "a"]), at_s, every_s=EVERY_S)
    assert grams(second.store) == before
    assert traced(second.store) == traced(stayed.store)
    assert (10.0, "white", "W7", "M", "Jo") in traced(second.store)
    assert not any(one[0] == 1.0 for one in traced(second.store))  # the slip
    for kitchen in (stayed, second):
        live(kitchen, THEN_H)
    assert grams(second.store) == grams(stayed.store)
    assert events(second.store, "a") == events(stayed.store, "a")
    for kitchen in (stayed, second):
        again(kitchen)
    assert grams(second.store) == grams(stayed.store)
    assert traced(second.store) == traced(stayed.store)
    assert len([one for one in events(second.store, "a") if one[0] == EventKind.FALL_BEGAN]) == len(
        [one for one in events(stayed.store, "a") if one[0] == EventKind.FALL_BEGAN]
    )
    for kitchen in (stayed, second):
        kitchen.store.close()
