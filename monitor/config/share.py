"""Which jars this daemon watches, where several daemons share them at the same broker.

Pure. Rendezvous hashing (Thaler and Ravishankar 1998, IEEE/ACM Trans. Netw. 6:1): each share draws a number for each
jar, and the highest takes it. So every daemon knows the answer without asking, and a fifth daemon takes a fifth of the
jars of the four and moves no other.
"""

from __future__ import annotations

import re

_SHARE = re.compile(r"(\d{1,3})/(\d{1,3})")


def owner(jar: str, of: int) -> int:
    """The share, 1 to `of`, that the jar belongs to; the same on every machine.

    >>> [owner("rye", of) for of in (1, 2, 3, 4)]
    [1, 1, 1, 1]
    """
    import hashlib  # only where jars are shared: it brings OpenSSL

    return max(range(1, of + 1), key=lambda share: hashlib.sha256(f"{share}:{jar}".encode()).digest())


def parse_share(text: str) -> tuple[int, int]:
    """(which, of how many) from "2/4". Raises ValueError that says what would be right.

    >>> parse_share("2/4")
    (2, 4)
    """
    found = _SHARE.fullmatch(text)
    if found is None or not 1 <= int(found[1]) <= int(found[2]):
        raise ValueError('must be the share and how many there are, such as "2/4" for the second of four')
    return int(found[1]), int(found[2])
