"""Checks before the first night, each with one plain sentence: what was found and what to do.

`ground` checks the machine (store, clock, secrets, addresses for notices), `listen` listens to the sources for a while
or asks the daemon that has them, `sources` and `jar_sense` judge what came. `jartide check` prints it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

State = Literal["ok", "note", "wrong"]
"""Only "wrong" makes the whole check fail; a "note" is worth knowing."""


@dataclass(frozen=True, slots=True)
class Finding:
    """The result of one check."""

    what: str
    state: State
    says: str
