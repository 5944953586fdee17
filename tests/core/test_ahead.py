"""What will be told next, and when a snooze ends: decided once, for the page and for the notices alike."""

from __future__ import annotations

from dataclasses import replace

from monitor.core.notify.ahead import ComingNotice, next_notice
from monitor.core.notify.due import snoozed_until_s
from monitor.settings import NoticeSettings
from monitor.values import Forecast, Noted, Notice, Noting, Span, Stage
from tests.core.believed import state

H = 3600.0
NOW = state(5, Stage.RISING).now_s
FALL = Forecast(
    made_at_s=NOW, peak_at=None, fall_at=Span(earliest_s=NOW + H, likely_s=NOW + 2 * H, latest_s=NOW + 3 * H)
)
RISING = replace(state(5, Stage.RISING), forecast=FALL)
USUAL = NoticeSettings()


def notice(due_s: float, kind: str = "feed_now", title: str = "Feed rye now") -> Notice:
    return Notice(
        jar="rye", cycle=1, kind=kind, repeat=0, due_s=due_s, expires_s=due_s + H, title=title, text=""
    )  # fmt: skip


def snooze(at_s: float, hours: str) -> Noted:
    return Noted(time_s=at_s, jar="rye", what=Noting.SNOOZE, text=hours)


def test_the_forecast_leads_to_the_next_feeding() -> None:
    assert next_notice(RISING, [], [], [], USUAL, NOW) == ComingNotice(
        title="Feed now", at_s=NOW + 2 * H, certainty="about"
    )
    assert next_notice(RISING, [], [], [], replace(USUAL, leave_out=("feed_now",)), NOW) is None
    assert next_notice(replace(RISING, forecast=None), [], [], [], USUAL, NOW) is None


def test_at_its_peak_comes_before_it_sinks() -> None:
    peak = Span(earliest_s=NOW, likely_s=NOW + H, latest_s=NOW + 2 * H)
    ahead = replace(RISING, forecast=replace(FALL, peak_at=peak))
    assert next_notice(ahead, [], [], [], USUAL, NOW) == ComingNotice(
        title="At its peak", at_s=NOW + H, certainty="about"
    )
    for other in (
        next_notice(ahead, [], [], [], replace(USUAL, leave_out=("at_peak",)), NOW),
        next_notice(replace(ahead, stage=Stage.PEAKED), [], [], [], USUAL, NOW),
    ):
        assert other is not None
        assert other.title == "Feed now"


def test_what_waits_comes_first_and_what_was_told_comes_again() -> None:
    waiting = [notice(NOW - 60, title="Later"), notice(NOW - 120, title="First")]
    found = next_notice(RISING, waiting, waiting, [], USUAL, NOW)
    assert found == ComingNotice(title="First", at_s=NOW - 120, certainty="waiting")
    told = [notice(NOW - 2 * H), notice(NOW - H), notice(NOW, kind="at_peak")]
    found = next_notice(RISING, [], told, [], USUAL, NOW)
    assert found == ComingNotice(title="Feed now (repeated)", at_s=NOW + (USUAL.repeat_h - 1) * H, certainty="at")


def test_a_resting_jar_has_none_and_a_snooze_holds_it_back() -> None:
    for stage in (Stage.RESTING, Stage.AWAY):
        assert next_notice(replace(RISING, stage=stage), [], [notice(NOW)], [], USUAL, NOW) is None
    late = [snooze(NOW - H, "6")]
    assert next_notice(RISING, [], [], late, USUAL, NOW).at_s == NOW + 5 * H  # type: ignore[union-attr]
    assert next_notice(RISING, [], [notice(NOW - H)], late, USUAL, NOW).at_s == NOW + 5 * H  # type: ignore[union-attr]


def test_the_latest_snooze_counts_from_its_beginning_to_its_end() -> None:
    assert snoozed_until_s([], NOW) is None
    assert snoozed_until_s([snooze(NOW - H, "2")], NOW) == NOW + H
    assert snoozed_until_s([snooze(NOW - H, "2"), snooze(NOW - 60, "0.25")], NOW) == NOW + 840
    assert snoozed_until_s([snooze(NOW - 2 * H, "2")], NOW) is None
    assert snoozed_until_s([snooze(NOW, "2")], NOW) == NOW + 2 * H
    assert snoozed_until_s([snooze(NOW + 60, "2")], NOW) is None  # by a clock that was set back
    assert snoozed_until_s([snooze(NOW - 60, "soon")], NOW) is None
