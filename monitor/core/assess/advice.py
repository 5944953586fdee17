"""One piece of advice: what to say, and the page of the guide that says more."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """`say` is whole sentences; `guide` a topic of `jartide guide`."""

    say: str
    guide: str
