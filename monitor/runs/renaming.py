"""Gives a jar another name and its past with it. Asked for while a daemon watches, and done when the next one starts
with a config that has the new name, so that no reading is lost in between.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from monitor.runs import trials
from monitor.runs.store import Store

KEY = "renamed:"  # before the old name, as a key of the store's small texts


class NameTaken(ValueError):
    """Another jar of the store has that name already, with a past of its own."""


def ask(store: Store, old: str, new: str) -> None:
    """Ask for another name of the jar, from the next config on. Raises NameTaken and StoreTrouble."""
    with store.writing():
        if store.query("SELECT 1 FROM jar WHERE name = ?", (new,)):
            raise NameTaken(f"{new} is another jar with its own past: choose another name")
        store.set_meta(KEY + old, new)


def carry_out(store: Store, jars: Collection[str]) -> list[tuple[str, str]]:
    """Do the renaming that was asked for, as far as the config's jars agree; returns what was done. Raises
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
