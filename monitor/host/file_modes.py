"""Whose the files are that the program keeps: its user's, and a group's where the folder was given to that group.

Under `runs` (the store) and `lock`. What a person asks to be written (`jartide export -o`) is made as their umask says.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

OWN, SHARED = 0o600, 0o660


def make(path: Path) -> int:
    """Make a file and open it for reading and writing: its owner's alone, whatever the umask. Only in a folder that is
    a group's on purpose (setgid and writable by it, as the service's state directory is) that group may write as well,
    so that its members tell feedings without becoming root. Raises FileExistsError, and OSError as `os.open` does."""
    file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, OWN)
    folder = path.parent.stat().st_mode
    if folder & stat.S_ISGID and folder & stat.S_IWGRP:
        os.fchmod(file, SHARED)
    return file
