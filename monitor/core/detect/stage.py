"""The table: which stage follows which, and on what. Data first; one function reads it.

`step.py` asks it with every event. Whether an event happens is decided elsewhere.
"""

from __future__ import annotations

from monitor.values import EventKind, Stage

S, K = Stage, EventKind

# event -> {stage before: stage after}; a pair that is not here leaves the stage as it is
TABLE: dict[EventKind, dict[Stage, Stage]] = {
    K.FED: dict.fromkeys(Stage, S.SETTLING),
    K.RISE_BEGAN: {S.UNKNOWN: S.RISING, S.SETTLING: S.RISING, S.FLAT: S.RISING},
    K.PEAK_REACHED: {S.RISING: S.PEAKED, S.FLAT: S.PEAKED, S.SETTLING: S.PEAKED, S.UNKNOWN: S.PEAKED},
    K.FALL_BEGAN: {S.RISING: S.FALLING, S.PEAKED: S.FALLING, S.UNKNOWN: S.FALLING},
    K.STAYED_FLAT: {S.SETTLING: S.FLAT, S.UNKNOWN: S.FLAT},
    K.JAR_AWAY: dict.fromkeys(Stage, S.AWAY),
    K.REST_BEGAN: {s: S.RESTING for s in Stage if s is not S.AWAY},
}

# After resting or absence the jar is where it was; the cycle's own marks say where that is.
RETURNS = (K.JAR_BACK, K.REST_ENDED)


def follows(stage: Stage, kind: EventKind, resumed: Stage) -> Stage:
    """The stage after an event of `kind` in `stage`; `resumed` is where the cycle's own marks put it on a return."""
    if kind in RETURNS:
        return resumed
    return TABLE.get(kind, {}).get(stage, stage)
