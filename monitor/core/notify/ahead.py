"""Which notice comes next, and when, as far as can be foreseen: for whoever shows a jar, before there is a notice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from monitor.core.notify.conditions import Kind
from monitor.core.notify.due import snoozed_until_s
from monitor.settings import NoticeSettings
from monitor.values import H_S, JarState, Noted, Notice, Stage


@dataclass(frozen=True, slots=True, kw_only=True)
class ComingNotice:
    """The title of a notice to come. `at_s` is when it waits since, when it will go out, or about when, as
    `certainty` says."""

    title: str
    at_s: float
    certainty: Literal["waiting", "at", "about"]


def next_notice(
    state: JarState,
    waiting: Sequence[Notice],
    sent: Sequence[Notice],
    noted: Sequence[Noted],
    settings: NoticeSettings,
    now_s: float,
) -> ComingNotice | None:
    """The next one: of those that wait in the outbox the earliest, else the repeat of one that went out (`sent` are
    those of the open cycle), else what the forecast leads to. A snooze holds it back. None where nothing is foreseen,
    as while the jar rests."""
    if waiting:
        first = min(waiting, key=lambda notice: notice.due_s)
        return ComingNotice(title=first.title, at_s=first.due_s, certainty="waiting")
    if state.stage in (Stage.RESTING, Stage.AWAY):
        return None
    snoozed_s = snoozed_until_s(noted, now_s) or 0.0
    fed_now = [notice.due_s for notice in sent if notice.kind == Kind.FEED_NOW]
    if fed_now:
        again_s = max(fed_now) + settings.repeat_h * H_S
        return ComingNotice(title="Feed now (repeated)", at_s=max(again_s, snoozed_s), certainty="at")
    peak = state.forecast.peak_at if state.forecast is not None else None
    fall = state.forecast.fall_at if state.forecast is not None else None
    on_its_way = state.stage in (Stage.SETTLING, Stage.RISING)  # "at its peak" is announced before the fall
    if on_its_way and peak is not None and Kind.AT_PEAK not in settings.leave_out:
        return ComingNotice(title="At its peak", at_s=max(peak.likely_s, now_s, snoozed_s), certainty="about")
    if fall is not None and Kind.FEED_NOW not in settings.leave_out:
        return ComingNotice(title="Feed now", at_s=max(fall.likely_s, now_s, snoozed_s), certainty="about")
    return None
