"""Old readings are thinned to means and extremes; the rest stays."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from monitor.runs import retention
from monitor.runs.store import Store
from monitor.sinks import thinner
from monitor.values import (
    Arrival,
    Delivery,
    Fed,
    Feeding,
    Reading,
)
from tests.runs.stored import RYE, T, delivery
from tests.servers import wait_until


def test_thinning_keeps_means_extremes_told_items_and_all_after_the_carry(store: Store) -> None:
    store.ensure_run(RYE, T)
    chance = random.Random(3)
    readings = [
        Reading(time_s=T + 10 * n, jar="rye", distance_mm=100 + chance.gauss(0, 1), temperature_c=20 + n / 1000)
        for n in range(3000)
    ]
    store.add(
        [
            Delivery(source="x", received_s=r.time_s, reading=r, timed=True, boot="a", seq=n)
            for n, r in enumerate(readings)
        ]
    )
    fed = store.tell(Fed(time_s=T + 5, jar="rye", feeding=Feeding(starter_g=25)), T + 30_001)
    assert retention.thin(store, T + 1e9) == 0  # no carry: nothing is known to be safe
    store.save_carry("rye", 2400, T + 24_000, {})
    gone = retention.thin(store, T + 18_000)
    left = list(store.arrivals(None, 0))
    assert gone == 3001 - len(left)
    assert [a for a in left if a.seq > 1800] == [
        *(Arrival(seq=n + 1, received_s=readings[n].time_s, item=readings[n]) for n in range(1800, 3000)),
        Arrival(seq=fed, received_s=T + 30_001, item=Fed(time_s=T + 5, jar="rye", feeding=Feeding(starter_g=25))),
    ]
    for bucket in range(1800 // 30):
        raw = readings[30 * bucket : 30 * bucket + 30]
        distances = [r.distance_mm for r in raw if r.distance_mm is not None]
        thinned = [
            a.item for a in left if raw[0].time_s <= a.item.time_s <= raw[-1].time_s and isinstance(a.item, Reading)
        ]
        assert len(thinned) == 3
        found = sorted(r.distance_mm for r in thinned if r.distance_mm is not None)
        assert (found[0], found[2]) == (min(distances), max(distances))
        assert found[1] == pytest.approx((sum(distances) - found[0] - found[2]) / 28)
    assert retention.thin(store, T + 18_000) == 0  # again changes nothing
    assert list(store.arrivals(None, 0)) == left
    assert retention.thin(store, T + 1e9) > 0
    assert min(a.seq for a in store.arrivals(None, 2399)) == 2400
    assert store.last_seq() == 3001


def test_thinning_leaves_the_shape_of_slow_recordings(store: Store) -> None:
    store.ensure_run(RYE, T)
    store.add([delivery(n * 30) for n in range(100)])  # one every five minutes
    store.save_carry("rye", 100, T, {})
    assert retention.thin(store, T + 1e9) == 0


def test_the_daemon_thins_by_the_time_of_its_readings(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(thinner, "FIRST_S", 0.0)
    store.ensure_run(RYE, T)
    store.add([delivery(n) for n in range(3 * 8640)])  # three days
    store.save_carry("rye", 3 * 8640, T, {})
    sink = thinner.Thinner(store.path, after_days=1)
    sink.start()
    gone = 27 * (2 * 288 - 1)  # of each 30; the last of the five minutes that the day's line cuts through stay
    wait_until(lambda: store.query("SELECT count(*) FROM item") <= [(3 * 8640 - gone,)], "the thinning")
    sink.stop()
    assert sink.trouble() is None
    day_ago_s = T + 3 * 86_400 - 10 - 86_400
    times = [a.item.time_s for a in store.arrivals("rye", 0) if isinstance(a.item, Reading)]
    assert sum(time_s >= day_ago_s for time_s in times) == 8641
    assert sum(time_s < day_ago_s for time_s in times) < 2 * 8640 / 9


def test_thinning_that_fails_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(thinner, "FIRST_S", 0.0)
    sink = thinner.Thinner(tmp_path / "no.db", after_days=1)
    sink.start()
    wait_until(lambda: "no store yet" in str(sink.trouble()), "a word about it")
    sink.stop()


def test_the_store_is_one_file_after_a_clean_stop(tmp_path: Path) -> None:
    with Store.open(tmp_path / "jartide.db") as store:
        store.add([delivery(0)])
    assert os.listdir(tmp_path) == ["jartide.db"]
