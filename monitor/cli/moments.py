"""A time in the future as people write it, for planning. (`opening.moment` reads times in the past.)"""

from __future__ import annotations

import re
from datetime import datetime, timedelta, tzinfo

from monitor.cli.opening import in_zone, refuse
from monitor.core.display.local_time import WEEKDAYS


def moment_to_come(text: str, now_s: float, zone: tzinfo) -> float:
    """A future time as people say it, as Unix seconds: "09:00" is the next such time, "Saturday 09:00" the one on
    the next such day, else a date and time. Exits with 2 for anything else and for the past."""
    now = datetime.fromtimestamp(now_s, zone)
    found = re.fullmatch(r"\s*(?:([A-Za-z]+)\s+)?(\d{1,2}):(\d{2})\s*", text)
    if found is not None and int(found[2]) < 24 and int(found[3]) < 60:
        at = now.replace(hour=int(found[2]), minute=int(found[3]), second=0, microsecond=0, fold=0)
        said = (found[1] or "").lower()
        days = [day for day, name in enumerate(WEEKDAYS) if len(said) >= 3 and name.lower().startswith(said)]
        if said in ("", "today", "tomorrow"):
            at += timedelta(days=1 if said == "tomorrow" or (said == "" and at.timestamp() <= now_s) else 0)
        elif days:
            at += timedelta(days=(days[0] - at.weekday()) % 7)
            at += timedelta(days=7 if at.timestamp() <= now_s else 0)
        else:
            refuse(f'--at {text!r}: write a day like "Saturday 09:00", or "2026-03-07 09:00"')
        when_s = at.timestamp()
    else:
        try:
            when_s = in_zone(datetime.fromisoformat(text), zone)
        except ValueError:
            refuse(f'--at {text!r}: write a time like "Saturday 09:00", or "2026-03-07 09:00"')
    if when_s <= now_s:
        refuse(f"--at {text!r} is past; it must be in the future")
    return when_s
