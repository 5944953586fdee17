"""Who may read the program's files: its own user, and a group where the folder belongs to that group.

Used by `runs` (the store) and `lock`. What a person asks to be written (`jartide export -o`) follows their umask.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

OWN, SHARED = 0o600, 0o660


def make(path: Path) -> int:
    """Make a file and open it for reading and writing: for its owner alone, whatever the umask. Only in a folder that
    belongs to a group on purpose (setgid and writable by it, like the service's state directory) may that group write
    it too, so that its members can report feedings without becoming root. Raises FileExistsError, and OSError as
    `os.open` does."""
    file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, OWN)
    folder = path.parent.stat().st_mode
    if folder & stat.S_ISGID and folder & stat.S_IWGRP:
        os.fchmod(file, SHARED)
    return file
