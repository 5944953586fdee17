"""The page's own files and the chart library's, held in memory as they are sent: compressed once, with a tag by which a
browser asks whether it still has the right one. A name is looked up and never joined to a path, so there is nothing
else that could be reached.
"""

from __future__ import annotations

import gzip
import hashlib
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


@dataclass(frozen=True, slots=True)
class Held:
    """One file."""

    plain: bytes
    packed: bytes
    tag: str
    media_type: str


class Files:
    """The files of one folder, by name."""

    def __init__(self, folder: Path) -> None:
        self._held = {path.name: _held(path) for path in folder.iterdir() if path.suffix in TYPES}

    async def answer(self, request: Request) -> Response:
        """The file that the path names, or that it has not changed. Raises HTTPException (404)."""
        file = self._held.get(request.path_params["name"])
        if file is None:
            raise HTTPException(404)
        headers = {"etag": file.tag, "vary": "accept-encoding"}
        if request.headers.get("if-none-match") == file.tag:
            return Response(status_code=304, headers=headers)
        if "gzip" not in request.headers.get("accept-encoding", ""):
            return Response(file.plain, headers=headers, media_type=file.media_type)
        return Response(file.packed, headers={**headers, "content-encoding": "gzip"}, media_type=file.media_type)


def chart_files() -> Path:
    """The folder with uPlot's browser files, out of the wheel that carries them (which is not imported)."""
    spec = find_spec("youplot")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "vendor"


def _held(path: Path) -> Held:
    plain = path.read_bytes()
    tag = f'"{hashlib.sha256(plain).hexdigest()[:24]}"'
    return Held(plain, gzip.compress(plain, 9, mtime=0), tag, TYPES[path.suffix])
