"""What holds a fall back, each gate from both of its sides, in the order in which they are asked. The bounds are those
that `fall.py` gives reasons for; series are invented."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.detect.cycle import OpenCycle
from monitor.core.detect.fall import judge
from monitor.core.detect.state import DetectorState
from monitor.core.detect.verdict import FallVerdict, Gate, Latest, MemoryEvidence
from monitor.core.signal.bins import BIN_S, BinSeries, append
from monitor.core.signal.block import LevelBlock
from monitor.core.signal.change_point import Drop
from monitor.core.vessel.level import headspace_sd_mm
from monitor.settings import JarSettings
from tests.core.stories import HOUR_S

# what is promised, written out: a bound that moves is to be noticed here
CLOSES_S, UNSURE_S = 72 * 3600.0, 3 * 3600.0
FALL_Z, PEAK_Z = 4.5, 3.0
SAG_MM, SAG_S, BACK_BINS = 1.6, 2.5 * 3600.0, 4
FEIGNED_SDS, RISE_SD, RISE_AFTER_MM = 2.0, 5.0, 3.0
FED_S = 1_772_409_600.0
RYE = JarSettings(name="rye", empty_mm=180.0)
TOP, END = 60, 100  # bins: the top ended at the one, the newest is the other
LATEST = Latest(level_mm=80.0, foot_mm=45.0, spread_mm=0.4, needed_mm=5.0, at_s=0.0)
DROP = Drop(z=6.0, drop_mm=5.0, sd_mm=0.8, best_mm=85.0, best_end=TOP, best_bins=8)
SINKING = [85.0] * TOP + [85.0 - 0.125 * (i + 1) for i in range(END - TOP)]


def series_of(levels_mm: list[float], n: float = 5.0) -> BinSeries:
    made = BinSeries(first=int(FED_S // BIN_S))
    for level_mm in levels_mm:
        append(made, level_mm, n)
    return made


def judged(
    *, drop: Drop | None = DROP, latest: Latest = LATEST, memory: MemoryEvidence | None = None, jar: JarSettings = RYE,
    levels_mm: list[float] = SINKING, gone_s: float | None = None, recent: list[LevelBlock] | None = None,
    **cycle: object,
) -> FallVerdict:  # fmt: skip
    state = DetectorState(jar=jar)
    state.series = series_of(levels_mm)
    state.now_s = FED_S + (END * BIN_S if gone_s is None else gone_s)
    state.empty_mm = 180.0
    state.surface.recent = recent or []
    given = {"fed_at_s": FED_S, "rise_at_s": FED_S + HOUR_S, **cycle}
    return judge(state, OpenCycle(**given), drop, latest, memory, jar)  # type: ignore[arg-type]


def test_a_fall_holds_where_no_gate_refuses() -> None:
    verdict = judged()
    assert (verdict.refused_by, verdict.holds, verdict.topped) == (None, True, True)
    assert (verdict.z, verdict.needed_z, verdict.drop_mm) == (6.0, FALL_Z, 5.0)
    assert verdict.decided_at_s == FED_S + END * BIN_S


def test_without_a_rise_in_this_cycle_there_is_no_fall() -> None:
    assert judged(rise_at_s=None).refused_by is Gate.NO_RISE


def test_a_cycle_is_closed_three_days_after_its_feeding() -> None:
    assert judged(gone_s=CLOSES_S).holds
    assert judged(gone_s=CLOSES_S + 1.0).refused_by is Gate.CLOSED


def test_a_level_that_was_never_higher_has_not_fallen() -> None:
    verdict = judged(drop=None)
    assert (verdict.refused_by, verdict.topped, verdict.z, verdict.needed_z) == (Gate.NOT_LOWER, False, 0.0, FALL_Z)


def test_a_top_has_to_stand_a_rise_above_the_lowest() -> None:
    assert judged(drop=replace(DROP, best_mm=50.0)).holds
    verdict = judged(drop=replace(DROP, best_mm=49.9))
    assert (verdict.refused_by, verdict.topped) == (Gate.LOW_TOP, False)


@pytest.mark.parametrize(("z", "gate", "topped"), [
    (FALL_Z, None, True), (FALL_Z - 0.01, Gate.NOISE, True),
    (PEAK_Z, Gate.NOISE, True), (PEAK_Z - 0.01, Gate.NOISE, False),
])  # fmt: skip
def test_a_drop_has_to_stand_out_of_noise(z: float, gate: Gate | None, topped: bool) -> None:
    verdict = judged(drop=replace(DROP, z=z))
    assert (verdict.refused_by, verdict.topped) == (gate, topped)


def test_memory_asks_for_less() -> None:
    memory = MemoryEvidence(cycles=4, fits=0.9, past=0.999, top_at_s=FED_S, drop_mm=2.0, needed_z=2.0)
    assert judged(drop=replace(DROP, z=2.0), memory=memory).holds
    verdict = judged(drop=replace(DROP, z=1.99), memory=memory)
    assert (verdict.refused_by, verdict.needed_z, verdict.memory) == (Gate.NOISE, 2.0, memory)


def test_gas_above_the_dough_may_feign_a_small_fall_to_an_echo() -> None:
    """Not to light: for an optical sensor the same drop is a fall."""
    jar = replace(RYE, sensor="ultrasonic")
    feigned_mm = FEIGNED_SDS * headspace_sd_mm(100.0, jar)  # 180 mm deep, the level at 80
    assert feigned_mm > SAG_MM
    assert judged(jar=jar, drop=replace(DROP, drop_mm=feigned_mm + 0.01)).holds
    assert judged(jar=jar, drop=replace(DROP, drop_mm=feigned_mm)).refused_by is Gate.HEADSPACE
    assert judged(drop=replace(DROP, drop_mm=feigned_mm)).holds


def test_a_sag_on_the_way_up_is_shallow_and_young() -> None:
    young = replace(DROP, drop_mm=SAG_MM - 0.01, best_end=END - int(SAG_S / BIN_S) + 1)
    assert judged(drop=young).refused_by is Gate.SAG
    assert judged(drop=replace(young, best_end=END - int(SAG_S / BIN_S))).holds
    assert judged(drop=replace(young, drop_mm=SAG_MM)).holds
    deep = replace(DROP, best_end=END - 2 * BACK_BINS)
    assert judged(drop=deep).holds
    assert judged(drop=replace(deep, best_end=END - 2 * BACK_BINS + 1)).refused_by is Gate.SAG  # too young to tell


def climbed(last_mm_per_h: float) -> list[float]:
    """Up at 12 mm/h, then for two hours at the given pace, 20 min at the top and down by 1 mm in half an hour."""
    steep = [45.0 + i for i in range(36)]
    slow = [steep[-1] + last_mm_per_h / 12.0 * (i + 1) for i in range(24)]
    return [*steep, *slow, *[slow[-1]] * 4, *[slow[-1] - 1.0] * 6]


@pytest.mark.parametrize(("last_mm_per_h", "gate"), [(12.0, Gate.SAG), (3.0, Gate.SAG), (0.9, None), (0.0, None)])
def test_a_climb_that_had_slowed_is_not_sagging(last_mm_per_h: float, gate: Gate | None) -> None:
    """A rise by Gompertz's law (Zwietering et al. 1990, Appl. Environ. Microbiol. 56:1875) climbs at a tenth of its
    steepest pace when 4 % of it are left, so a drop then is no sag on the way, young and shallow as it may be."""
    levels_mm = climbed(last_mm_per_h)
    drop = Drop(z=6.0, drop_mm=1.0, sd_mm=0.15, best_mm=max(levels_mm), best_end=len(levels_mm) - 6, best_bins=5)
    assert judged(levels_mm=levels_mm, drop=drop).refused_by is gate


def test_what_memory_alone_makes_enough_waits_for_a_sag_all_the_same() -> None:
    levels_mm = climbed(0.0)
    drop = Drop(
        z=FALL_Z - 0.01, drop_mm=1.0, sd_mm=0.2, best_mm=max(levels_mm), best_end=len(levels_mm) - 6, best_bins=5
    )
    memory = MemoryEvidence(cycles=4, fits=0.9, past=0.999, top_at_s=FED_S, drop_mm=2.0, needed_z=2.0)
    assert judged(levels_mm=levels_mm, drop=drop, memory=memory).refused_by is Gate.SAG
    assert judged(levels_mm=levels_mm, drop=replace(drop, z=FALL_Z), memory=memory).holds


def test_a_level_that_comes_back_is_not_believed_to_fall() -> None:
    """Mist that clears, a collapse that is made good: 20 min against the 20 min before, by one spread."""
    down = [85.0] * TOP + [78.0] * (END - TOP - BACK_BINS)
    assert judged(levels_mm=[*down, *[78.0 + DROP.sd_mm - 0.01] * BACK_BINS]).holds
    assert judged(levels_mm=[*down, *[78.0 + DROP.sd_mm + 0.01] * BACK_BINS]).refused_by is Gate.SAG


def test_a_step_that_is_just_being_looked_at_is_waited_for() -> None:
    def blocks(*levels_mm: float) -> list[LevelBlock]:
        return [LevelBlock(FED_S + 60.0 * n, level_mm, 1.0) for n, level_mm in enumerate(levels_mm)]

    assert judged(recent=blocks(80.0, 80.0, 80.0, 80.0, 79.5)).holds
    assert judged(recent=blocks(80.0, 80.0, 80.0, 80.0, 60.0)).refused_by is Gate.STEPPING
    assert judged(recent=blocks(80.0, 80.0, 80.0, 60.0, 60.0)).refused_by is Gate.STEPPING
    assert judged(recent=blocks(80.0, 80.0, *[60.0] * 5)).holds  # by now it is known what it was
    assert judged(recent=blocks(60.0, 80.0, 80.0, 80.0, 80.0)).holds  # upwards


# --- what sank during a silence ------------------------------------------------------------------------------------

SILENT_TO = 70  # bin: the silence ended then, after the top
SILENT_TO_S = FED_S + SILENT_TO * BIN_S


def after_silence(went_mm: float, **more: object) -> FallVerdict:
    """Since the silence the level went evenly by so much."""
    since = END - SILENT_TO
    levels_mm = [85.0] * SILENT_TO + [78.0 + went_mm * i / (since - 1) for i in range(since)]
    return judged(levels_mm=levels_mm, sank_unseen_s=SILENT_TO_S, **more)  # type: ignore[arg-type]


def test_what_sank_unseen_and_sinks_on_is_a_fall() -> None:
    assert after_silence(-3.0).holds
    assert after_silence(0.0).refused_by is Gate.SILENCE  # fed, perhaps, and not rising yet
    assert after_silence(0.0, gone_s=SILENT_TO * BIN_S + UNSURE_S - 1.0).refused_by is Gate.SILENCE
    assert after_silence(0.0, gone_s=SILENT_TO * BIN_S + UNSURE_S).holds  # by then it would rise


def test_what_sank_unseen_and_rises_was_fed_meanwhile() -> None:
    verdict = after_silence(6.0)
    assert verdict.refused_by is Gate.FED_IN_SILENCE
    assert verdict.rose_mm == pytest.approx(6.0 * 24 / 29, rel=0.1)  # half-hour means: the ends count less
    assert after_silence(RISE_AFTER_MM, gone_s=SILENT_TO * BIN_S + UNSURE_S).refused_by is not Gate.FED_IN_SILENCE
    noisy = replace(LATEST, spread_mm=6.0 / RISE_SD)  # of a noisy sensor more is asked
    assert after_silence(6.0, latest=noisy).refused_by is not Gate.FED_IN_SILENCE


def test_a_silence_before_the_top_hides_nothing() -> None:
    later = replace(DROP, best_end=SILENT_TO + 2)
    levels_mm = [70.0] * SILENT_TO + [85.0] * 4 + [80.0] * (END - SILENT_TO - 4)
    assert judged(levels_mm=levels_mm, drop=later, sank_unseen_s=SILENT_TO_S).holds
    young = [85.0] * (END - 5) + [78.0] * 5
    at_s = FED_S + (END - 5) * BIN_S
    assert judged(levels_mm=young, sank_unseen_s=at_s).refused_by is Gate.SILENCE  # too little since to say


def test_the_gates_are_asked_in_their_order() -> None:
    """A verdict names the first that refuses: `jartide replay --explain` prints it."""
    order = list(Gate)
    assert order[:4] == [Gate.NO_RISE, Gate.CLOSED, Gate.NOT_LOWER, Gate.LOW_TOP]
    assert judged(rise_at_s=None, gone_s=CLOSES_S + 1.0, drop=None).refused_by is Gate.NO_RISE
    assert judged(gone_s=CLOSES_S + 1.0, drop=None).refused_by is Gate.CLOSED
    low = replace(DROP, best_mm=46.0, z=1.0)
    assert judged(drop=low).refused_by is Gate.LOW_TOP
