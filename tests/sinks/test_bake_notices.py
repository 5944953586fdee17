"""A kept bake while its jar goes on: its feedings are told when they are due, and what moves is told once. The rule is
the product's own promise; what a baker does then (waits for ripe seed, feeds later) is common practice."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from monitor.core.display.units import Display
from monitor.core.plan.waking import awake_by
from monitor.runs import bake_plans, history, kept_bake, outbox
from monitor.runs.kept_bake import Asked, KeptBake
from monitor.runs.store import Store
from monitor.settings import DisplaySettings, JarSettings, NoticeSettings, Settings, StoreSettings
from monitor.sinks.bake_notices import look_at_all
from monitor.values import Cycle, Feeding, Notice
from tests.core.kitchen_stories import DAY, H, T, cycle, daily, later

JAR = JarSettings(name="x", empty_mm=180.0)
SHOW = Display()
NOW_S = T + 20 * DAY + 10 * H  # ten in the morning
MIX_S = T + 22 * DAY + 9 * H


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Eight steady cycles, and one fed an hour ago."""
    made = Store.open(tmp_path / "s.db", NOW_S - 12 * DAY)
    made.ensure_run(JAR, NOW_S - 12 * DAY)
    put(made, *later(daily([2.5] * 8, 9.0), 11.0), replace(cycle(0.0), fed_at_s=NOW_S - H, temperatures_c=(22.0,)))
    return made


def put(store: Store, *cycles: Cycle, since: int = 1) -> None:
    for i, one in enumerate(cycles):
        store.put_cycle(replace(one, jar="x", number=since + i))


def settings_of(store: Store, **notices: object) -> Settings:
    return Settings(
        jars=(JAR,), store=StoreSettings(path=store.path), notices=NoticeSettings(**notices),  # type: ignore[arg-type]
        display=DisplaySettings(time_zone="UTC"),
    )  # fmt: skip


def keep(store: Store) -> KeptBake:
    """As the command and the page do."""
    asked = Asked(wanted_s=MIX_S, flour_g=900.0)
    culture = bake_plans.starter_models.learned_from(history.from_store(store, "x"))
    made = bake_plans.planned(
        culture, bake_plans.open_cycle_of(store, "x"), JAR, asked, NOW_S, SHOW, awake_by(SHOW.offset_s)
    )
    kept = kept_bake.kept_of(asked, made, NOW_S)
    kept_bake.keep(store, "x", kept)
    return kept


def told(store: Store) -> list[Notice]:
    return [one.notice for one in outbox.latest(store)][::-1]


def test_nothing_is_told_while_all_goes_as_planned(store: Store) -> None:
    kept = keep(store)
    for hours in range(4):
        look_at_all(store, settings_of(store), NOW_S + hours * H / 2, SHOW)
    assert told(store) == []
    assert kept_bake.kept(store, "x") == kept
    store.close()


def test_a_feeding_is_told_once_when_its_time_has_come_in_grams(store: Store) -> None:
    (first_s, fed), *_ = keep(store).feedings
    for minutes in (-6, -4, 0, 2, 40):
        look_at_all(store, settings_of(store), first_s + 60.0 * minutes, SHOW)
    (notice,) = told(store)
    assert notice.kind == "bake_feeding"
    assert f"keep {fed.starter_g:g} g, add {fed.flour_g:g} g flour" in notice.text
    assert notice.due_s == first_s - 240.0
    store.close()


def test_a_jar_that_goes_otherwise_moves_its_feedings_and_that_is_told_once(store: Store) -> None:
    kept = keep(store)
    # somebody fed it four hours before its time: what was to be ripe by then is not
    first_s = kept.feedings[0][0]
    put(store, replace(cycle(0.0), fed_at_s=first_s - 4 * H, temperatures_c=(22.0,)), since=10)
    now_s = first_s - 3 * H
    for _ in range(3):
        look_at_all(store, settings_of(store), now_s, SHOW)
    (notice,) = told(store)
    assert notice.kind == "bake_moved"
    assert "is now at" in notice.text or "not needed" in notice.text or "nothing comes nearer" in notice.text
    after = kept_bake.kept(store, "x")
    assert after is not None
    assert after.feedings[0][0] > kept.feedings[0][0]
    assert after.moved
    store.close()


def test_quiet_hours_hold_it_back_and_what_is_not_wanted_is_not_told(store: Store) -> None:
    first_s = keep(store).feedings[0][0]
    minute = int(first_s % DAY // 60)
    quiet = {"quiet_from": f"{(minute // 60 - 1) % 24:02d}:00", "quiet_to": f"{(minute // 60 + 3) % 24:02d}:00"}
    look_at_all(store, settings_of(store, leave_out=("bake_feeding",)), first_s - 120.0, SHOW)
    assert told(store) == []
    kept = kept_bake.kept(store, "x")
    assert kept is not None
    kept_bake.keep(store, "x", replace(kept, reminded_s=()))
    look_at_all(store, settings_of(store, **quiet), first_s - 120.0, SHOW)
    (notice,) = told(store)
    assert notice.due_s > first_s + H
    store.close()


def test_what_was_fed_near_its_time_is_done_and_the_last_ends_the_planning(store: Store) -> None:
    kept = keep(store)
    last_s = kept.feedings[-1][0]
    assert bake_plans.still_to_come(kept, None) == kept.feedings
    fed = replace(cycle(0.0), fed_at_s=last_s + 1800.0)
    assert bake_plans.still_to_come(kept, fed) == ()
    early = replace(fed, fed_at_s=kept.planned_s - 60.0)  # fed before it was planned: that is none of them
    assert bake_plans.still_to_come(kept, early) == kept.feedings
    put(store, fed, since=10)
    look_at_all(store, settings_of(store), last_s + H, SHOW)
    assert told(store) == []
    store.close()


def test_a_bake_of_another_version_or_a_damaged_one_is_none(store: Store) -> None:
    store.set_meta("bake:x", '{"flour_g": 900, "wanted_s": 5, "fed_at_s": [1, 2], "weighed": ["a", "b"]}')
    kept = kept_bake.kept(store, "x")
    assert kept is not None
    assert [fed for _, fed in kept.feedings] == [Feeding(), Feeding()]
    for text in ("[]", "{", '{"flour_g": 900}', '{"wanted_s": 1, "flour_g": 2, "fed_at_s": [1, 2], "fed": [{}]}'):
        store.set_meta("bake:x", text)
        assert kept_bake.kept(store, "x") is None
    kept_bake.drop(store, "x")
    assert kept_bake.kept(store, "x") is None
    store.close()
