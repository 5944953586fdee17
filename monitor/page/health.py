"""How watching itself is going: sources, sinks, store, notices sent and waiting, what was rejected and why."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from monitor.core.display.refusals import words
from monitor.core.display.units import Display
from monitor.page.jar_view import spell
from monitor.runs import daemon_status, outbox
from monitor.runs.store import Store
from monitor.values import DAY_S, Json, SourceHealth

WEEK_S = 7 * DAY_S
NOTICES = 50
REJECTED = 100


def health(store: Store, now_s: float, show: Display, watching: bool, more: Sequence[str] = ()) -> Json:
    """The answer for the health view; `more` are troubles that the store cannot take. Raises StoreTrouble."""
    status = daemon_status.read(store)
    kept = outbox.latest(store, NOTICES)
    since = time.strftime("%Y-%m-%d", time.gmtime(max(now_s - WEEK_S, 0.0)))
    rejected = store.rejected_counts(since)
    return {
        "as_of_s": None if status is None else status.as_of_s,
        "watching": watching,
        "sources": [_source(source, now_s, show) for source in (status.sources if status else ())],
        "troubles": [*(status.troubles if status else ()), *more],
        "store": {"items": store.count(), "bytes": size_bytes(store.path), "path": store.path.name},
        "notices": {
            "waiting": sum(1 for one in kept if one.state is outbox.State.PENDING),
            "counts": dict(Counter(one.state.value for one in kept)),
            "latest": [
                {
                    "jar": one.notice.jar,
                    "kind": one.notice.kind,
                    "title": one.notice.title,
                    "text": one.notice.text,
                    "state": one.state.value,
                    "due_s": one.notice.due_s,
                    "words": show.clock(one.notice.due_s, now_s),
                }
                for one in kept
            ],
        },
        "rejected": [
            {
                "day": day,
                "source": source,
                "reason": words(reason),
                "count": count,
                "last_jar": jar,
                "last_detail": detail,
            }
            for day, source, reason, count, _, jar, detail in rejected[:REJECTED]
        ],
    }


def size_bytes(path: Path) -> int | None:
    """The size of the store's file and of SQLite's log beside it; None when there is no file."""
    log = path.with_name(f"{path.name}-wal")
    try:
        return path.stat().st_size + (log.stat().st_size if log.exists() else 0)
    except OSError:
        return None


def _source(source: SourceHealth, now_s: float, show: Display) -> Json:
    heard_s, since = source.last_message_s, source.since_s
    words = source.trouble or ("connected" if source.connected else "not connected")
    return {
        **asdict(source),
        "words": words,
        "since_words": show.clock(since, now_s),
        "sentence": spell(words, since, now_s, show),
        "heard_words": None if heard_s is None else show.clock(heard_s, now_s),
    }
