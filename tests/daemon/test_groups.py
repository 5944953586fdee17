"""A shelf watched by the daemon: the jar that is slower than its siblings, and the sensor that says more than its
neighbours', are told of once, with a way to the curves."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from monitor.core.notify.conditions import Kind
from monitor.review import feeding_sheet
from monitor.runs import outbox
from monitor.sinks.apprise_channel import link_of
from tests.page_house import CYCLE_S, Kitchen, over_a_fed_jar, settings_of

BEGIN_S = 1_795_600_000.0
JARS = [f"s{n}" for n in range(1, 9)]
DRIFTS = "s2"  # its thermometer says three degrees more
SLOW = 0.7  # of the others' pace


def test_one_notice_of_the_slow_one(tmp_path: Path) -> None:
    plain = settings_of(tmp_path, JARS)
    settings = replace(plain, jars=tuple(replace(jar, group="s") for jar in plain.jars))
    kitchen = Kitchen(settings, BEGIN_S, every_s=300.0)

    def distance_mm(jar: str, at_s: float) -> float:
        fed_s = BEGIN_S + CYCLE_S * ((at_s - BEGIN_S) // CYCLE_S)
        since_s = at_s - fed_s
        return over_a_fed_jar(fed_s + since_s * (SLOW if jar == "s5" and since_s > 600.0 else 1.0), fed_s)

    kitchen.go_on(50.0, distance_mm)
    kept = [one for one in outbox.latest(kitchen.store, 500) if one.notice.kind == Kind.UNLIKE_SIBLINGS]
    assert [one.notice.jar for one in kept] == ["s5"]
    assert "longer to its peak than the others" in kept[0].notice.text
    assert link_of(kept, "https://bakery.example") == "https://bakery.example/#/siblings/s5"
    made = feeding_sheet.of_store(kitchen.store, settings, kitchen.now_s, 12.0)
    assert [one.jar for one in made.odd] == ["s5"]
    own, *others = made.curves["s5"]
    assert len(others) == 2
    assert jars_of(kitchen, own) == ["s5"]
    assert "s5" not in jars_of(kitchen, *others)
    kitchen.store.close()


def test_one_notice_of_the_sensor_that_drifts(tmp_path: Path) -> None:
    plain = settings_of(tmp_path, JARS)
    settings = replace(plain, jars=tuple(replace(jar, group="s") for jar in plain.jars))
    kitchen = Kitchen(settings, BEGIN_S, every_s=300.0, warm_c={DRIFTS: 26.5})
    kitchen.go_on(9.0, lambda jar, at_s: over_a_fed_jar(at_s, BEGIN_S + 1800.0))
    kept = [one for one in outbox.latest(kitchen.store, 500) if one.notice.kind == Kind.SENSOR_DRIFTS]
    assert [one.notice.jar for one in kept] == [DRIFTS]
    assert kept[0].notice.text.startswith("s2 reads 3.0 °C more than its 7 neighbours.")
    assert link_of(kept, "https://bakery.example") == "https://bakery.example/#/siblings/s2"
    made = feeding_sheet.of_store(kitchen.store, settings, kitchen.now_s, 12.0)
    ((drift, (own, *others)),) = made.drifts.items()
    assert jars_of(kitchen, own) == [DRIFTS]
    assert jars_of(kitchen, *others) == [*drift.beside]
    assert len({*others}) == 2
    kitchen.store.close()


def jars_of(kitchen: Kitchen, *keys: str) -> list[str]:
    runs = [kitchen.store.run(int(key.split(":")[0])) for key in keys]
    return [run.jar for run in runs if run is not None]
