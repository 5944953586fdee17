"""A jar under another name: its past goes with it. Asked for while a daemon watches, done when the next one begins with
a config that knows the jar by its new name, so that no reading falls between the two.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from monitor.runs import trials
from monitor.runs.store import Store

KEY = "renamed:"  # of the store's small notes, before the old name


class NameTaken(ValueError):
    """Another jar of the store has that name already, with a past of its own."""


def ask(store: Store, old: str, new: str) -> None:
    """Let the jar have another name from the next config on. Raises NameTaken and StoreTrouble."""
    with store.writing():
        if store.query("SELECT 1 FROM jar WHERE name = ?", (new,)):
            raise NameTaken(f"{new} is another jar with its own past: choose another name")
        store.set_meta(KEY + old, new)


def carry_out(store: Store, jars: Collection[str]) -> list[tuple[str, str]]:
    """Rename what was asked for, as far as the config's jars say the same; returns what was done. Raises
    StoreTrouble."""
    done = []
    with store.writing():
        for key, new in store.query("SELECT key, value FROM meta WHERE key LIKE ?", (f"{KEY}%",)):
            old = str(key).removeprefix(KEY)
            if old in jars or new not in jars:
                continue
            store.write("UPDATE jar SET name = ? WHERE name = ?", (new, old))
            store.write("UPDATE notice SET jar = ? WHERE jar = ?", (new, old))
            for trial in trials.every(store):
                if old in trial.jars:
                    trials.keep(store, replace(trial, jars=tuple(new if one == old else one for one in trial.jars)))
            store.forget_meta(key)
            done.append((old, str(new)))
    return done
