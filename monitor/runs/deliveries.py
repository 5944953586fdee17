"""The outcome of each notice on each channel, so that a dead channel is tried again without sending twice over the
others.

`outbox` keeps the notices themselves: a notice is SENT there once every channel has it. A channel is named by a key
that is no secret. The channels' queues call this; all functions join an enclosing `with store.writing():`.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from monitor.runs import outbox
from monitor.runs.outbox import StoredNotice
from monitor.runs.store import Store

MOST = 200  # a notice waits for a day at most, so more than this only wait if something is badly wrong


def owed(store: Store, channel: str, now_s: float) -> list[StoredNotice]:
    """The notices that are due, still of use, and not sent over this channel yet; urgent ones first, then by due
    time."""
    waiting = outbox.due(store, now_s, MOST)
    if not waiting:
        return []
    rows = store.query(
        "SELECT notice FROM delivery WHERE notice >= ? AND channel = ? AND state = 'sent'",
        (min(kept.id for kept in waiting), channel),
    )
    gone = {notice for (notice,) in rows}
    return [kept for kept in waiting if kept.id not in gone]


def sending(store: Store, channel: str, ids: Sequence[int], now_s: float) -> None:
    """Mark these as on their way, before they are sent."""
    with store.writing():
        for id_ in ids:
            store.write(
                """INSERT INTO delivery (notice, channel, state, attempts, changed_s) VALUES (?, ?, 'sending', 1, ?)
                ON CONFLICT DO UPDATE SET state = 'sending', attempts = attempts + 1, changed_s = excluded.changed_s""",
                (id_, channel, now_s),
            )


def sent(store: Store, channel: str, ids: Sequence[int], now_s: float, channels: Collection[str]) -> None:
    """Mark these as sent over this channel; a notice that all of `channels` have is done."""
    with store.writing():
        for id_ in ids:
            _set(store, channel, id_, "sent", now_s, "")
            _close(store, id_, now_s, channels)


def failed(store: Store, channel: str, ids: Sequence[int], now_s: float, error: str) -> None:
    """Mark these as not sent over this channel; they will be tried again."""
    with store.writing():
        for id_ in ids:
            _set(store, channel, id_, "waiting", now_s, error[:500])


def resume(store: Store, channel: str, now_s: float, channels: Collection[str]) -> None:
    """At the start: what was on its way when the daemon stopped may or may not have gone out. It is tried once more; if
    that is interrupted too, it counts as sent, as a crashing daemon must not flood a person."""
    with store.writing():
        rows = store.query(
            "SELECT notice, interrupted FROM delivery WHERE channel = ? AND state = 'sending'", (channel,)
        )
        for id_, interrupted in rows:
            if interrupted:
                sent(store, channel, [id_], now_s, channels)
                _set(store, channel, id_, "sent", now_s, "interrupted twice by a crash: it may not have arrived")
            else:
                store.write(
                    "UPDATE delivery SET state = 'waiting', interrupted = 1 WHERE notice = ? AND channel = ?",
                    (id_, channel),
                )


def expire(store: Store, now_s: float) -> None:
    """Notices that are past their use no longer wait: SENT if any channel has it, else EXPIRED."""
    late = "SELECT id FROM notice WHERE state = 'pending' AND expires_s <= ?"
    if not store.query(f"{late} LIMIT 1", (now_s,)):
        return
    with store.writing():
        told = f"{late} AND id IN (SELECT notice FROM delivery WHERE state = 'sent')"
        for (id_,) in store.query(told, (now_s,)):
            outbox.sent(store, id_, now_s)
        outbox.expire(store, now_s)


def of_notice(store: Store, id_: int) -> dict[str, tuple[str, int, str]]:
    """Channel -> (state, attempts, last error) of one notice."""
    rows = store.query("SELECT channel, state, attempts, error FROM delivery WHERE notice = ?", (id_,))
    return {channel: (state, attempts, error) for channel, state, attempts, error in rows}


def _set(store: Store, channel: str, id_: int, state: str, now_s: float, error: str) -> None:
    store.write(
        "UPDATE delivery SET state = ?, changed_s = ?, error = ? WHERE notice = ? AND channel = ?",
        (state, now_s, error, id_, channel),
    )


def _close(store: Store, id_: int, now_s: float, channels: Collection[str]) -> None:
    gone = {channel for channel, (state, _, _) in of_notice(store, id_).items() if state == "sent"}
    if gone >= set(channels):
        outbox.sent(store, id_, now_s)
