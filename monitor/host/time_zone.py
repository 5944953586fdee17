"""Time zones for people: a zone name becomes the function that `display.local_time` and `core.display` work with.

Kept out of `core`, which knows no clock and no files, and light enough for `jartide status`. Used by the daemon, the
command line and the pages; all arithmetic with local times is left to `display.local_time`.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.core.display.units import Display, display_of
from monitor.settings import DisplaySettings

# Zone data ends in 2037 in many files, and datetime in 9999: times from a clock that is further off stay readable.
LAST_S = 4_102_444_800.0  # 1 January 2100


def offset_of(time_zone: str | None) -> Callable[[float], float]:
    """Unix time -> "local minus UTC" in seconds, for an IANA name or (None) for this machine's zone.

    Raises ValueError for a name that the zone data does not hold.
    """
    if time_zone is None:
        return lambda time_s: float(time.localtime(min(max(time_s, 0.0), LAST_S)).tm_gmtoff)
    try:
        zone = ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError(f"{time_zone!r} is not a time zone like Europe/Rome") from error

    def offset_s(time_s: float) -> float:
        moment = datetime.fromtimestamp(min(max(time_s, 0.0), LAST_S), UTC).astimezone(zone)
        offset = moment.utcoffset()
        assert offset is not None  # a ZoneInfo moment always has one
        return offset.total_seconds()

    return offset_s


def display(settings: DisplaySettings) -> Display:
    """How this household reads numbers and times; raises ValueError for an unknown time zone."""
    return display_of(settings, offset_of(settings.time_zone))


def calendar(time_zone: str | None) -> tzinfo:
    """The same zone as one of Python's own, for libraries that want that; raises ValueError as `offset_of` does."""
    offset_of(time_zone)
    name = time_zone or zone_name()
    return ZoneInfo(name) if name else datetime.now().astimezone().tzinfo or UTC


def zone_name() -> str | None:
    """The IANA name of this machine's zone, for a browser elsewhere; None where the machine does not say."""
    name = os.environ.get("TZ", "").removeprefix(":") or os.path.realpath("/etc/localtime").partition("/zoneinfo/")[2]
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None
    return name
