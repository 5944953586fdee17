"""Places where a test makes the program fail: `failpoint("name")` does nothing unless the environment names it.

`JARTIDE_FAILPOINT=name:action` or `name:action:count`: at the count-th passing (1 when not given) the action is `exit`
(the process ends on the spot, like kill -9), `raise` (RuntimeError) or `sleep` (for ever). The names are those that the
code passes: `python -m tests.outside_calls` lists them.
"""

from __future__ import annotations

import os
import time

_name, _action, _count = ([*os.environ.get("JARTIDE_FAILPOINT", "").split(":"), "", ""])[:3]
_left = int(_count) if _count.isdigit() else 1


def failpoint(name: str) -> None:
    """Fail here, if this is the place and the time that the environment asks for."""
    if name == _name:
        _pass()


def _pass() -> None:
    global _left
    _left -= 1
    if _left == 0:
        match _action:
            case "exit":
                os._exit(9)
            case "raise":
                raise RuntimeError(f"failpoint {_name}")
            case "sleep":
                time.sleep(1e6)
