"""The bake that was planned last for a jar, as the store keeps it: what was asked for, the feedings that were found."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from monitor.runs.store import Store

KEY = "bake:"  # of the store's small notes, before a jar's name


def keep(
    store: Store, jar: str, asked: Mapping[str, object], wanted_s: float, feedings: Sequence[tuple[float, str]]
) -> None:
    """Keep it in place of the last one; `feedings` are times and what is weighed. Raises StoreTrouble."""
    found = {"fed_at_s": [at_s for at_s, _ in feedings], "weighed": [words for _, words in feedings]}
    store.set_meta(KEY + jar, json.dumps({**asked, "wanted_s": wanted_s, **found}))


def kept(store: Store, jar: str) -> dict[str, Any] | None:
    """What was asked, with `wanted_s`, `fed_at_s`, `weighed`; None where no bake was planned. Raises StoreTrouble."""
    try:
        found = json.loads(store.meta(KEY + jar) or "null")
    except ValueError:
        return None
    return found if isinstance(found, dict) else None
