"""The [[mqtt]] tables that share one connection: which topics they want, and whose readings a message holds."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from monitor.core.display.refusals import Refusal
from monitor.settings import MqttSettings
from monitor.sources import mqtt_link
from monitor.sources.boot_clock import BootClocks
from monitor.sources.ingest import Clock, Ingest
from monitor.values import Delivery, Rejected


@dataclass(frozen=True, slots=True)
class _Table:
    topic: str
    pattern: re.Pattern[str]
    ingest: Ingest


class Tables:
    """See the module. `jar` is for messages that name none, where the table says nothing either."""

    def __init__(
        self,
        settings: Sequence[MqttSettings],
        name: str,
        *,
        jars: frozenset[str],
        elsewhere: frozenset[str] = frozenset(),
        jar: str | None = None,
        offset_s: Callable[[float], float] = lambda _: 0.0,
        clocks: BootClocks | None = None,
        wall: Clock = time.time,
        monotonic: Clock = time.monotonic,
    ) -> None:
        self._tables = [
            _Table(
                one.topic,
                mqtt_link.topic_pattern(one.topic),
                Ingest(
                    name, jars=jars, elsewhere=elsewhere, jar=one.jar or jar, read=dict(one.read) or None,
                    offset_s=offset_s, clocks=clocks, wall=wall, monotonic=monotonic,
                ),
            )
            for one in settings
        ]  # fmt: skip

    @property
    def topics(self) -> list[str]:
        """The topics that the tables want, each once, in their order."""
        return list(dict.fromkeys(table.topic for table in self._tables))

    @property
    def clock_trouble(self) -> str | None:
        """One sentence while a device's clock is wrong."""
        return next((said for table in self._tables if (said := table.ingest.clock_trouble)), None)

    def take(
        self, topic: str, payload: bytes, *, again: bool, waited: bool, dup: bool = False, token: object = None
    ) -> list[Delivery | Rejected]:
        """The deliveries in a message, for each table that wants its topic; none where it has nothing of what was asked
        for. The last one has the token: when that is committed, all are."""
        found: list[Delivery | Rejected] = []
        wanted = [(table, match) for table in self._tables if (match := table.pattern.fullmatch(topic))]
        if not wanted:  # an old subscription of ours, from before the topic was changed
            return [self._tables[0].ingest.refuse(Refusal.UNKNOWN_TOPIC, topic, token=token)]
        for table, match in reversed(wanted):
            item = table.ingest.take(
                payload,
                jar=match.groupdict().get("jar"),
                again=again,
                dup=dup,
                waited=waited,
                token=None if found else token,
            )
            if item is not None:
                found.append(item)
        return found[::-1]
