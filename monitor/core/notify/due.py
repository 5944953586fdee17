"""Which beliefs about a jar deserve a notice, and when: the last part of `core`, before anything leaves by `sinks/`.

`due` looks at what is believed **now** and at what was already put out, not at the events that led there. So a restart
needs no memory of its own: what became true while the daemon was down and still is, is put out; what is over, is not;
nothing is put out twice. Quiet hours and snooze work the same way: while they hold nothing is put out, and what is
still true at their end goes out then, all of one jar together. What may be true at all is in `conditions`, the words
are in `text`; delivery, retries and putting several notices of a jar into one message are the outbox's and
`sinks.notices`'.

The cause of a notice is (jar, cycle, kind, repeat). `sent` maps (kind, repeat) of this jar and cycle to its `due_s`,
for everything put out so far, whether delivered, waiting, expired or superseded.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import inf

from monitor.core.assess.thrown_away import condemns
from monitor.core.detect.timeouts import silent_after_s
from monitor.core.display.local_time import minutes_of, quiet_until
from monitor.core.display.units import Display
from monitor.core.notify.conditions import ONCE_A_RUN, REST_AGAIN_S, Facts, Kind, Sent, facts_of, holds
from monitor.core.notify.phrases import Subject
from monitor.core.notify.text import words
from monitor.settings import JarSettings, NoticeSettings
from monitor.values import DAY_S, H_S, JarState, Noted, Notice, Noting

OVERDUE_AGAIN_S = DAY_S
# they tell of something that is over, or stay true whatever comes
OUTLAST = frozenset(
    {
        Kind.DAILY_SUMMARY, Kind.SENSOR_BACK, Kind.THROW_AWAY, Kind.UNLIKE_SIBLINGS, Kind.SENSOR_DRIFTS,
        Kind.BAKE_FEEDING, Kind.BAKE_MOVED,
    }
)  # fmt: skip
URGENT = frozenset({Kind.THROW_AWAY, Kind.NEAR_RIM})  # snoozing does not hold these back
# how long a notice that cannot be delivered is worth delivering, where less than a day; "feed now" until its repeat
EXPIRES_AFTER_S = {Kind.NEAR_RIM: 6 * H_S, Kind.PEAK_AHEAD: 6 * H_S, Kind.AT_PEAK: 12 * H_S}


def due(
    state: JarState,
    sent: Sent,
    settings: NoticeSettings,
    jar: JarSettings,
    now_s: float,
    noted: Sequence[Noted] = (),
    display: Display | None = None,
    listening_since_s: float = -inf,
) -> tuple[Notice, ...]:
    """The notices to put out now, most pressing first; call it after each step that had events, and at each tick.

    `noted` are the person's notes on this jar since the open cycle began, and all that send it into the bin or tell of
    another starter (more do no harm). With `display` None, units are metric and times UTC. Before `listening_since_s`
    the program was not there to hear anything. Nothing is returned twice as long as the caller adds what it got to
    `sent`; `daemon/notifier.py` does, and shows how it is called.
    """
    display = display or Display()
    facts = facts_of(state, sent, settings, jar, noted, now_s, now_s - listening_since_s)
    if snoozed_until_s(noted, now_s) is not None:
        wanted: Iterable[Kind] = [kind for kind in Kind if kind in URGENT]
    else:
        wanted = Kind
    quiet = quiet_hours_until(settings, now_s, display) is not None
    out = []
    for kind in wanted:
        if kind in settings.leave_out or (quiet and kind is not Kind.THROW_AWAY and kind not in settings.quiet_except):
            continue  # mould is an answer to somebody who is awake: they have just written it down
        if holds(kind, facts, now_s) and not _waits(kind, facts, now_s):
            out.append(_notice(kind, facts, now_s, display))
    return tuple(out)


def no_longer_true(
    waiting: Iterable[Notice],
    state: JarState,
    settings: NoticeSettings,
    jar: JarSettings,
    now_s: float,
    noted: Sequence[Noted] = (),
) -> tuple[Notice, ...]:
    """Which of this jar's undelivered notices should not be delivered any more: fed meanwhile, sensor back, resting."""
    facts = facts_of(state, {}, settings, jar, noted, now_s)
    number = state.cycle.number if state.cycle is not None else 0
    over = []
    for notice in waiting:
        if notice.kind in OUTLAST:
            continue
        kind = Kind(notice.kind)
        if (notice.cycle != number and kind not in ONCE_A_RUN) or not holds(kind, facts, now_s):
            over.append(notice)
    return tuple(over)


def quiet_hours_until(settings: NoticeSettings, time_s: float, display: Display) -> float | None:
    """When the quiet hours that hold at `time_s` end; None when they do not hold or are not configured."""
    if settings.quiet_from is None or settings.quiet_to is None:
        return None
    return quiet_until(time_s, minutes_of(settings.quiet_from), minutes_of(settings.quiet_to), display.offset_s)


def _waits(kind: Kind, facts: Facts, now_s: float) -> bool:
    """Was it told already, or is this not the moment to tell it (again)?"""
    told = facts.count(kind)
    match kind:
        case Kind.FEED_NOW:  # repeats pause while somebody has the lid off, or has to say whether it was fed
            busy = facts.state.lid_off_since_s is not None or facts.state.question is not None
            return (told > 0 and busy) or not _again(kind, facts, now_s, facts.settings.repeat_h * H_S)
        case Kind.OVERDUE:
            return not _again(kind, facts, now_s, OVERDUE_AGAIN_S)
        case Kind.REST_REMINDER:
            return not _again(kind, facts, now_s, REST_AGAIN_S)
        case Kind.THROW_AWAY:
            last_s = facts.last_s(kind)
            return last_s is not None and last_s >= max(note.time_s for note in facts.noted if condemns(note))
        case Kind.SENSOR_SILENT:
            unheard = facts.state.stuck_since_s is None and (
                facts.listening_s < silent_after_s(facts.state.sampling_s, facts.jar)
            )  # it may well have read while the machine slept: it gets as long as ever to show it
            return unheard or told > facts.count(Kind.SENSOR_BACK)
        case Kind.SENSOR_BACK:
            return False
        case Kind.AT_PEAK:  # announced too early, and it climbed on: its true top is announced too
            last_s, rose_on_s = facts.last_s(kind), facts.state.rose_on_s
            return last_s is not None and (rose_on_s is None or last_s >= rose_on_s)
        case _:
            return told > 0


def _again(kind: Kind, facts: Facts, now_s: float, every_s: float) -> bool:
    """Is a repeat due? A last time that lies further ahead than one repeat was stamped by a wrong clock: it is."""
    last_s = facts.last_s(kind)
    return last_s is None or now_s - last_s >= every_s or last_s - now_s > every_s


def snoozed_until_s(noted: Sequence[Noted], now_s: float) -> float | None:
    """When the latest snooze ends; None when none holds now."""
    last = max((note for note in noted if note.what is Noting.SNOOZE), key=lambda note: note.time_s, default=None)
    try:
        until_s = None if last is None else last.time_s + float(last.text) * H_S
    except ValueError:
        return None
    return until_s if last is not None and until_s is not None and last.time_s <= now_s < until_s else None


def _notice(kind: Kind, facts: Facts, now_s: float, display: Display) -> Notice:
    repeat = facts.count(kind)
    subject = Subject(state=facts.state, jar=facts.jar, noted=facts.noted, now_s=now_s, repeat=repeat, display=display)
    title, text = words(kind, subject)
    lives_s = facts.settings.repeat_h * H_S if kind is Kind.FEED_NOW else EXPIRES_AFTER_S.get(kind, DAY_S)
    return Notice(
        jar=facts.state.jar,
        cycle=facts.state.cycle.number if facts.state.cycle is not None else 0,
        kind=kind,
        repeat=repeat,
        due_s=now_s,
        expires_s=now_s + lives_s,
        title=title,
        text=text,
        urgent=kind in URGENT,
    )
