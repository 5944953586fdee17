"""The page's parts by themselves: curves keep their extremes, cookies cannot be forged, stretches are found quickly."""

from __future__ import annotations

import asyncio
import re
import string
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.display.units import Display
from monitor.page.curves import MOST_POINTS, Curve, Point, columns, thin
from monitor.page.files import STATIC, joined
from monitor.page.jar_view import health, last_feeding
from monitor.page.live import Live
from monitor.page.readers import Readers
from monitor.page.sessions import ALL_TRIES, LASTS_S, TRIES, WAIT_S, Seal, Tries
from monitor.runs import daemon_status
from monitor.runs.reported import take_back
from monitor.runs.store import Store
from monitor.runs.stretch import readings_of, seq_at
from monitor.settings import JarSettings, SerialSettings, Settings
from monitor.values import Delivery, Fed, Reading, SourceHealth, of_grams
from tests.page_house import nothing_known, settings_of

POINTS = st.lists(
    st.tuples(st.floats(0, 1e6), st.floats(0, 150), st.floats(0, 5), st.floats(0, 5)), min_size=1, max_size=600
)


@given(POINTS, st.integers(2, 300))
def test_thinning_loses_no_peak_and_keeps_order(raw: list[tuple[float, float, float, float]], most: int) -> None:
    points: list[Point] = sorted((t, mid, mid - low, mid + high, None) for t, mid, low, high in raw)
    thinned = thin(points, most)
    assert len(thinned) <= max(most + 1, 2)
    assert max(p[3] for p in thinned) == max(p[3] for p in points)
    assert min(p[2] for p in thinned) == min(p[2] for p in points)
    assert [p[0] for p in thinned] == sorted(p[0] for p in thinned)


@settings(max_examples=50)
@given(st.lists(st.tuples(st.floats(0, 86_400), st.floats(20, 170)), min_size=1, max_size=200), st.randoms())
def test_a_curve_does_not_depend_on_the_order_of_arrival_but_for_its_middles(
    raw: list[tuple[float, float]], chance: object
) -> None:
    def drawn(rows: list[tuple[float, float]]) -> list[tuple[float, float, float]]:
        curve = Curve(0.0, 180.0)
        for time_s, distance_mm in rows:
            curve.add(Reading(time_s=time_s, jar="rye", distance_mm=distance_mm))
        return [(p[0], p[2], p[3]) for p in curve.points()]

    shuffled = list(raw)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    assert drawn(raw) == drawn(shuffled)


def test_a_day_every_five_seconds_fits_a_phone() -> None:
    curve = Curve(0.0, 180.0)
    for k in range(17_280):
        curve.add(Reading(time_s=5.0 * k, jar="rye", distance_mm=100.0 + k % 7, temperature_c=21.0))
    assert len(columns(thin(curve.points()))["time_s"]) <= MOST_POINTS  # type: ignore[arg-type]


@pytest.mark.parametrize("distance_mm", [0.0, 8190.0, 320.0, -1.0, None])
def test_codes_and_lids_are_not_drawn(distance_mm: float | None) -> None:
    curve = Curve(0.0, 180.0)
    curve.add(Reading(time_s=10.0, jar="rye", distance_mm=distance_mm, temperature_c=85.0))
    assert curve.points() == []


def test_a_stretch_is_the_same_as_by_reading_everything(tmp_path: Path) -> None:
    """Late readings of the stretch included, up to six hours."""
    with Store.open(tmp_path / "store.db", 0.0) as store:
        deliveries = []
        for k in range(2000):
            late_s = 3 * 3600.0 if k % 17 == 0 else 0.0
            reading = Reading(time_s=60.0 * k - late_s + k * 1e-3, jar=f"jar{k % 3}", distance_mm=100.0)
            deliveries.append(Delivery(source="x", received_s=60.0 * k, reading=reading, boot="b", seq=k, timed=True))
        store.add(deliveries)
        run = store.open_run("jar1")
        assert run is not None
        wanted = [d.reading for d in deliveries if d.reading.jar == "jar1" and 30_000 <= d.reading.time_s <= 60_000]
        assert list(readings_of(store, run, 30_000, 60_000)) == wanted
        assert seq_at(store, -5.0) == 1
        assert seq_at(store, 60.0 * 1500) == 1501
        assert seq_at(store, 1e12) == 2001


MODULES = sorted(STATIC.glob("*.js"))
FORM = re.compile(
    r"^(import \{ [\w, ]+ \} from \"\./\w+\.js\";|export (async )?(function|class|const) \w+.*|(?!import|export).*)$"
)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.name)
def test_modules_keep_to_the_forms_that_can_be_joined(path: Path) -> None:
    wrong = [line for line in path.read_text().splitlines() if not FORM.match(line)]
    assert not wrong
    assert "export let" not in path.read_text()  # a joined module hands out what its names stand for, once


def test_the_joined_script_holds_every_module_once_and_in_order() -> None:
    script = joined(STATIC, "page")
    ours = [path for path in MODULES if path.stem != "setup"]  # the guided set-up is a page of its own
    places = [script.index(f"const from_{path.stem} = ") for path in ours]
    assert len(places) == len(ours) == script.count(" = (() => {\n// ")
    assert "const from_setup" in joined(STATIC, "setup")
    for used in re.finditer(r"= from_(\w+);", script):
        assert script.index(f"const from_{used[1]} = ") < used.start()
    assert "import " not in re.sub(r"//.*", "", script)


def test_pages_that_leave_all_at_once_leave_nothing_behind(tmp_path: Path) -> None:
    """A router that restarts: every stream is cut in the same moment, some more than once; each ends as it was told."""

    async def all_at_once() -> list[object]:
        live = Live(settings_of(tmp_path, ["rye"]), Readers(tmp_path / "none.db"), lambda: NOW_S, Display())

        async def page() -> None:
            live.pages += 1
            try:
                async for _ in live.stream(None):
                    pass
            finally:
                live.pages -= 1

        pages = [asyncio.create_task(page()) for _ in range(20)]
        while live.pages < len(pages):
            await asyncio.sleep(0)
        for _ in range(4):
            await asyncio.sleep(0)
            for one in pages:
                one.cancel()
        async with asyncio.timeout(5):
            return [*await asyncio.gather(*pages, return_exceptions=True), live.pages]

    *ends, left = asyncio.run(all_at_once())
    assert all(isinstance(end, asyncio.CancelledError) for end in ends)
    assert left == 0


SEAL = Seal("key", "word", "token")
NOW_S = 1_795_000_000.0


@given(st.integers(0, 200), st.sampled_from(string.printable))
def test_no_letter_of_a_cookie_can_be_changed(place: int, letter: str) -> None:
    cookie = SEAL.cookie(SEAL.begin(NOW_S, signed_in=False))
    place %= len(cookie)
    forged = cookie[:place] + letter + cookie[place + 1 :]
    last = place == len(cookie) - 1  # two of its bits are not used (RFC 4648, section 3.5)
    assert SEAL.read(forged, NOW_S) in ((None, SEAL.read(cookie, NOW_S)) if last or forged == cookie else (None,))


@given(st.text(max_size=300))
def test_nonsense_is_no_cookie(text: str) -> None:
    assert SEAL.read(text, NOW_S) is None


def test_a_cookie_ends_and_belongs_to_one_key_and_password() -> None:
    session = SEAL.begin(NOW_S, signed_in=True)
    cookie = SEAL.cookie(session)
    assert SEAL.read(cookie, NOW_S + LASTS_S - 1) == session
    assert SEAL.read(cookie, NOW_S + LASTS_S + 1) is None
    assert SEAL.read(cookie, NOW_S - 3600) is None
    assert Seal("key", "other", "token").read(cookie, NOW_S) is None
    assert Seal("other", "word", "token").read(cookie, NOW_S) is None
    assert Seal("key", "word", "new").read(cookie, NOW_S) is None
    assert Seal("key", "word", None).read(cookie, NOW_S) is None
    assert not SEAL.is_token(SEAL.begin(NOW_S, signed_in=True), SEAL.token(session))


def test_tries_are_counted_by_address_and_over_all() -> None:
    tries = Tries()
    for k in range(TRIES):
        assert tries.wait_s("a", float(k)) == 0
        tries.wrong("a", float(k))
    assert tries.wait_s("a", 10.0) == pytest.approx(WAIT_S - 10.0)
    assert tries.wait_s("b", 10.0) == 0
    assert tries.wait_s("a", WAIT_S + 10.0) == 0
    for k in range(ALL_TRIES):
        tries.wrong(f"address {k}", 20.0)
    assert tries.wait_s("new", 21.0) > 0
    for k in range(3000):
        tries.wrong(f"{k}", 2000.0)
    assert len(tries._wrong) <= 1000


def test_grams_told_by_a_slip_are_not_offered_again(tmp_path: Path) -> None:
    jar = JarSettings(name="rye", flour="rye")
    with Store.open(tmp_path / "store.db", 0.0) as store:
        for at_s, flour_g in ((1000.0, 80.0), (2000.0, 1000.0), (3000.0, 900.0)):
            store.tell(Fed(time_s=at_s, jar="rye", feeding=of_grams((20.0, flour_g, 80.0))), at_s)
        offered = []
        for at_s in (4000.0, 4001.0, 4002.0):
            take_back(store, "rye", at_s)
            offered.append(last_feeding(store, jar))
    assert [grams["flour_g"] for grams in offered] == [1000.0, 80.0, None]  # type: ignore[call-overload, index]
    assert offered[-1] == {"starter_g": None, "flour_g": None, "water_g": None, "flour": "rye"}


def test_a_jar_that_is_not_heard_shows_what_its_source_suffers_from() -> None:
    wires = tuple(SerialSettings(port=port, jar=jar) for port, jar in (("/dev/a", "rye"), ("/dev/b", "wheat")))
    household = Settings(jars=(JarSettings(name="rye"), JarSettings(name="wheat")), serial=wires)
    lost = "there is no /dev/a: is the device plugged in?"
    sources = [
        SourceHealth(name="serial /dev/a", connected=False, trouble=lost, since_s=60_000.0, last_message_s=None),
        SourceHealth(name="serial /dev/b", connected=True, trouble=None, since_s=0.0, last_message_s=None),
    ]

    def said(jar: str, heard_s: float | None) -> list[object]:
        state = replace(nothing_known(jar), last_reading_s=heard_s)
        return list(health(state, sources, household, 61_000.0, Display()))

    trouble = ["There is no /dev/a: is the device plugged in? Since 16:40"]
    assert said("rye", 59_990.0) == trouble
    assert said("rye", 60_020.0) == trouble  # its device's clock is ahead
    assert said("rye", None) == trouble
    assert said("rye", 60_990.0) == []  # heard over the network since
    assert said("wheat", 59_990.0) == []  # another device's jar


def test_a_played_night_that_runs_behind_its_clock_is_watched_all_the_same(tmp_path: Path) -> None:
    """Three minutes of it are less than a second: what moved a moment ago is not stale. What has not moved is."""
    household = settings_of(tmp_path, ["rye"])
    with Store.open(household.store.path, 0.0) as store:
        live = Live(household, Readers(household.store.path), lambda: 9000.0, Display())
        assert live.now()["watching"] is False
        for as_of_s, watching in ((8000.0, False), (8060.0, True)):
            daemon_status.write(store, as_of_s, [nothing_known("rye")], [], [])
            live._look(store)
            assert live.now()["watching"] is watching, as_of_s
