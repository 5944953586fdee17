"""A text file that is there only when it is complete: for run files, feedings and truths, whoever writes them."""

from __future__ import annotations

import contextlib
import logging
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

log = logging.getLogger(__name__)


@contextlib.contextmanager
def writing(path: Path) -> Iterator[TextIO]:
    """Write a file beside `path` that replaces it when the block ends without an error (Ctrl-C is one). A pipe or a
    device is written as it is. Raises OSError."""
    if path.exists() and not path.is_file():
        if path.is_fifo():
            log.warning("%s is a pipe: waiting for somebody to read it", path)
        with path.open("w", encoding="utf-8", newline="") as out:
            yield out
        return
    part = path.with_name(path.name + ".part")
    try:
        with part.open("w", encoding="utf-8", newline="") as out:
            yield out
        os.replace(part, path)
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
