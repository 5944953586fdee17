"""A text that is read whole out of a file that somebody named. A pipe is waited for, but not without a word; what has
no end (/dev/zero) is given up.

What is read again and again (a config, a secret, a run) must be a file, and is refused where it is opened.
"""

from __future__ import annotations

import errno
import logging
from pathlib import Path

log = logging.getLogger(__name__)

LARGEST_BYTES = 16 << 20  # a history of ten years, fed twice a day, is half a megabyte


def text_of(path: Path, errors: str = "strict") -> str:
    """What it holds, in UTF-8, without a byte order mark. Raises OSError, also where it is too large, and
    UnicodeDecodeError as `errors` says."""
    if path.is_fifo():
        log.warning("%s is a pipe: waiting for what comes through it", path)
    with path.open("rb") as file:
        content = file.read(LARGEST_BYTES + 1)
    if len(content) > LARGEST_BYTES:
        raise OSError(errno.EFBIG, f"is larger than {LARGEST_BYTES >> 20} MB")
    return content.decode("utf-8-sig", errors)
