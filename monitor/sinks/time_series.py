"""What is sent to a time-series server, and one connection to it. `mirror` decides what to send, when, and what to do
when it is refused. Importing this module loads influxdb-client (half a second), so `mirror` does so only when it
starts.

Measurements are tagged with the jar and nothing else, and all their fields are floats (an integer first and a float
later would be a conflict of types): `reading` (the columns of a run file), `feeding` (`told`, grams), and `event`. An
event is a field named after its kind (`event fall_began=4500`) at the time at which it happened, with the seconds until
it was certain; the numbers of its evidence are fields beside it (`fall_began_ratio`).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Any

import urllib3
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write.point import Point
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException

from monitor.host.secret import SecretError, secret
from monitor.settings import InfluxSettings
from monitor.values import MEASURED, Arrival, Event, Fed, Reading

TIMEOUT_MS = 10_000  # for one batch; a timeout may still have stored it, and the same points again change nothing


class RefusedError(Exception):
    """The server did not take a batch; the text is a sentence. `retry_after_s` is what it asked for, if anything."""

    retry_after_s: float = 0.0


class UnreachableError(RefusedError):
    """No answer, or one that may soon be different (5xx, 429)."""


class DeniedError(RefusedError):
    """Somebody must change a setting: token, bucket, address."""


class PoisonError(RefusedError):
    """Something in this batch will never be taken (400, 413, 422). The server may have stored the rest of it."""


def lines_of(thing: Arrival | Event) -> str | None:
    """The line for one item or event; None for one without numbers to show over time."""
    fields: dict[str, float | None]
    match thing:
        case Arrival(item=Reading() as reading):
            fields = {name: getattr(reading, name) for name in MEASURED}
            return _line("reading", reading.jar, fields, reading.time_s)
        case Arrival(item=Fed() as fed):
            fields = {"told": 1.0, **fed.feeding.weights}
            return _line("feeding", fed.jar, fields, fed.time_s)
        case Event():
            kind = thing.kind.value
            fields = {kind: thing.decided_at_s - thing.happened_at_s}
            for name, value in thing.evidence.items():
                if isinstance(value, int | float) and not isinstance(value, bool):
                    fields[f"{kind}_{name}"] = value
            return _line("event", thing.jar, fields, thing.happened_at_s)
    return None


def _line(measurement: str, jar: str, fields: dict[str, float | None], time_s: float) -> str | None:
    point = Point(measurement).tag("jar", " ".join(jar.split())).time(round(time_s * 1e6) * 1000, WritePrecision.NS)
    for name, value in fields.items():
        if value is not None and isfinite(value):  # the client silently drops what is not finite
            point.field(name, float(value))
    line: str = point.to_line_protocol()
    return line or None


class Connection:
    """One InfluxDB client, for one thread. `made` counts the TCP connections that it opened: urllib3 replaces a broken
    one silently, and the server may have been killed in between. Raises DeniedError when the configured token is not
    there."""

    def __init__(self, settings: InfluxSettings) -> None:
        self.made = 0
        self._settings = settings
        try:
            token = secret(env=settings.token_env, file=settings.token_file, what="the token for [influx]")
        except SecretError as error:
            raise DeniedError(str(error)) from None
        self._client = InfluxDBClient(
            url=settings.url, token=token or "", org=settings.org, timeout=TIMEOUT_MS, retries=False
        )
        pool = self._client.api_client.rest_client.pool_manager.connection_from_url(settings.url)
        pool.ConnectionCls = self._counted(pool.ConnectionCls)
        self._write_api = self._client.write_api(write_options=SYNCHRONOUS)  # batching loses what is not yet sent

    def send(self, lines: Sequence[str]) -> None:
        """Write a batch; returns when the server has acknowledged it. Raises RefusedError."""
        where = f"[influx] {self._settings.url}"
        try:
            self._write_api.write(self._settings.bucket, self._settings.org, list(lines))  # nanoseconds by default
        except ApiException as error:
            said = " ".join(str(error.message).split())[:200]
            raise _refusal(where, error.status or 0, said, self._settings, error.retry_after) from error
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise UnreachableError(f"{where}: no answer ({_cause(error)})") from error

    def _counted(self, kind: type[Any]) -> type[Any]:
        def connect(connection: Any) -> None:
            self.made += 1
            kind.connect(connection)

        return type("Counted", (kind,), {"connect": connect})

    def close(self) -> None:
        """Close; nothing waits, as the server has every acknowledged batch."""
        self._client.close()


def _refusal(where: str, status: int, said: str, settings: InfluxSettings, retry_after: str | None) -> RefusedError:
    if status in (401, 403):
        return DeniedError(f"{where}: refuses the token ({status} {said}); it needs one with write access")
    if status == 404:
        return DeniedError(f"{where}: knows no bucket {settings.bucket!r} in org {settings.org!r}, or is none ({said})")
    if status in (400, 413, 422):
        return PoisonError(f"{where}: {status} {said}")
    refusal = UnreachableError(f"{where}: {status} {said}")
    if retry_after and retry_after.isdecimal():
        refusal.retry_after_s = float(retry_after)
    return refusal


def _cause(error: BaseException) -> str:
    """The innermost of the exceptions that urllib3 packs into one another, in its own words."""
    inner = getattr(error, "reason", None) or (error.args[-1] if error.args else None)
    if isinstance(inner, BaseException):
        return _cause(inner)
    return str(error).rpartition(": ")[2][:120] or type(error).__name__
