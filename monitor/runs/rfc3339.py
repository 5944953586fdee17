"""Times as text: RFC 3339 to Unix seconds and back. Run files, device messages and the command line all read times
here; times for people are in `core/display`.

Source: RFC 3339, section 5.6 (grammar; `t` and `z` may be lower case, a space may stand for `T`) and 5.7 (leap second).
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from functools import lru_cache

_FORM = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ]([01]\d|2[0-3]):([0-5]\d):([0-5]\d|60)(?:\.(\d+))?([Zz]|([+-])([01]\d|2[0-3]):([0-5]\d))",
    re.ASCII,
)
_EPOCH = datetime(1970, 1, 1).toordinal()
FIRST_S, LAST_S = -62_135_596_800, 253_402_300_799
"""What the form can write: 0001-01-01T00:00:00Z to 9999-12-31T23:59:59Z."""


@lru_cache(maxsize=16)  # rows of one file share few dates, and this is half the time of a parse
def _day_s(date: str) -> int:
    try:
        return (datetime.fromisoformat(date).toordinal() - _EPOCH) * 86_400
    except ValueError:
        raise ValueError("no such date") from None


def parse(text: str) -> float:
    """Unix seconds of an RFC 3339 time, to the microsecond. A leap second (`:60`) is the second after it, as in POSIX.

    Raises ValueError with a sentence when the text is anything else: a date alone, or a time without its zone.
    """
    match = _FORM.fullmatch(text)
    if match is None:
        raise ValueError("not a time like 2026-03-02T06:00:00Z")
    date, hour, minute, second, fraction, _zone, sign, zone_hour, zone_minute = match.groups()
    whole_s = _day_s(date) + int(hour) * 3600 + int(minute) * 60 + int(second)
    if sign:
        offset_s = int(zone_hour) * 3600 + int(zone_minute) * 60
        whole_s += offset_s if sign == "-" else -offset_s
    if not FIRST_S <= whole_s <= LAST_S:
        raise ValueError("no such date")
    if not fraction:
        return float(whole_s)
    return (whole_s * 1_000_000 + int(fraction[:6].ljust(6, "0"))) / 1_000_000  # one rounding: text and back is exact


def text(time_s: float) -> str:
    """RFC 3339 in UTC, with as many decimals of a second as the microsecond needs. Raises ValueError outside the years
    1 to 9999 and for what is no number."""
    if not FIRST_S <= time_s < LAST_S + 1:
        raise ValueError(f"{time_s!r} s is outside the years 1 to 9999")
    whole_s, micro = divmod(round(time_s * 1_000_000), 1_000_000)
    moment = datetime(1970, 1, 1) + timedelta(seconds=whole_s)
    return f"{moment.isoformat()}Z" if micro == 0 else f"{moment.isoformat()}.{micro:06d}".rstrip("0") + "Z"
