"""How far something that goes through the store in order has got, and the rows that it had to leave out.

Used by the mirror and by thinning, each under names of its own. All functions join an enclosing `with
store.writing():`.
"""

from __future__ import annotations

from monitor.runs.store import Store


def place(store: Store, name: str) -> int:
    """The last row that is done; 0 before the first."""
    rows = store.query("SELECT place FROM cursor WHERE name = ?", (name,))
    return int(rows[0][0]) if rows else 0


def keep(store: Store, name: str, place: int) -> None:
    """Store that everything up to a row is done."""
    store.write("INSERT OR REPLACE INTO cursor VALUES (?, ?)", (name, place))


def park(store: Store, name: str, place: int, now_s: float, reason: str, most: int) -> None:
    """Note a row that was left out, and why; only the latest `most` of them are kept."""
    with store.writing():
        store.write(
            """INSERT INTO parked (cursor, place, parked_s, reason) VALUES (?, ?, ?, ?)
                ON CONFLICT DO UPDATE SET parked_s = excluded.parked_s, reason = excluded.reason""",
            (name, place, now_s, reason),
        )
        store.write("DELETE FROM parked WHERE id <= (SELECT max(id) FROM parked) - ?", (most,))
