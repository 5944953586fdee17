"""The page's own files and the chart library's, held in memory as they are sent: compressed once, with a tag by which a
browser asks whether it still has the right one. A name is looked up and never joined to a path, so there is nothing
else that could be reached.

Our modules go out as one script and both style sheets as one: each request costs a browser more than ten kilobytes do,
and a phone's first view should not wait for twenty of them. Joining is done when the server starts; the modules stay
plain files that any browser would also take one by one.
"""

from __future__ import annotations

import gzip
import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

STATIC = Path(__file__).parent / "static"
CHART_LIBRARY = STATIC / "uplot"  # uPlot's own browser files and licence, unchanged
CHART = "chart.js"  # what it is called on the wire
SHELL = STATIC / "shell"  # what a phone keeps for when the house cannot be reached
_TYPES = {
    "css": "text/css",
    "js": "text/javascript",
    "svg": "image/svg+xml",
    "png": "image/png",
    "html": "text/html",
    "json": "application/manifest+json",
}
_PICTURES = ("icon.svg", "icon_feed.svg", "icon_192.png", "icon_512.png")
_WORKER = "shell.js"
# the only two forms that our modules use (tests/page/test_parts.py holds them to it)
_IMPORT = re.compile(r'^import \{ ([\w, ]+) \} from "\./(\w+)\.js";$', re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(?:async )?(?:function|class|const) (\w+))", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class StaticFile:
    """One file."""

    plain: bytes
    packed: bytes
    tag: str
    media_type: str

    def answer(self, request: Request, more: Mapping[str, str] | None = None) -> Response:
        """Itself, packed where the browser can unpack it, or that it has not changed."""
        headers = {"etag": self.tag, "vary": "accept-encoding", **(more or {})}
        if request.headers.get("if-none-match") == self.tag:
            return Response(status_code=304, headers=headers)
        if "gzip" not in request.headers.get("accept-encoding", ""):
            return Response(self.plain, headers=headers, media_type=self.media_type)
        return Response(self.packed, headers={**headers, "content-encoding": "gzip"}, media_type=self.media_type)


class Files:
    """All files of a page, by name; `entry` is the module that its script begins with."""

    def __init__(self, entry: str = "page") -> None:
        contents = {
            f"{entry}.js": joined(STATIC, entry).encode(),
            CHART: (CHART_LIBRARY / "uPlot.iife.min.js").read_bytes(),
            "page.css": (CHART_LIBRARY / "uPlot.min.css").read_bytes() + (STATIC / "page.css").read_bytes(),
            "manifest.json": (STATIC / "manifest.json").read_bytes(),
            **{name: (STATIC / name).read_bytes() for name in _PICTURES},
            **{name: (SHELL / name).read_bytes() for name in ("offline.html", _WORKER)},
        }
        self._held = {name: static_file(name, content) for name, content in contents.items()}

    async def answer(self, request: Request) -> Response:
        """The file that the path names, or that it has not changed. Raises HTTPException (404)."""
        file = self._held.get(request.path_params["name"])
        if file is None:
            raise HTTPException(404)
        # the worker stands for the page, which lies above its folder
        more = {"service-worker-allowed": "/"} if request.path_params["name"] == _WORKER else {}
        return file.answer(request, more)


def joined(folder: Path, entry: str) -> str:
    """The module `entry` and all that it imports as one script: each becomes a function of its own that is called
    once, after those that it needs, and gives what it exports. Raises OSError for a module that is not there."""
    scripts: dict[str, str] = {}

    def add(name: str) -> None:
        if name in scripts:
            return
        text = (folder / f"{name}.js").read_text("utf-8")
        for needed in _IMPORT.finditer(text):
            add(needed[2])
        exported = ", ".join(_EXPORT.findall(text))
        text = _EXPORT.sub("", _IMPORT.sub(r"const { \1 } = from_\2;", text))
        scripts[name] = f"const from_{name} = (() => {{\n{text}return {{ {exported} }};\n}})();\n"

    add(entry)
    return f'"use strict";\n(() => {{\n{"".join(scripts.values())}}})();\n'


def static_file(name: str, plain: bytes) -> StaticFile:
    """A file as it is sent."""
    tag = f'"{hashlib.sha256(plain).hexdigest()[:24]}"'
    return StaticFile(plain, gzip.compress(plain, 9, mtime=0), tag, _TYPES[name.rpartition(".")[2]])
