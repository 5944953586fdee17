"""The guide on the page: the very files that `jartide guide --html` writes, made by that command when somebody first
asks, and kept in memory from then on. The command runs in a process of its own, so that what only the guide needs
(every command's help, Markdown, a replay) stays out of the daemon.
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
import tempfile
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from monitor.page.files import StaticFile, static_file

MOST_S = 120.0  # a small board takes half a minute


class GuideFiles:
    """See the module."""

    def __init__(self) -> None:
        self._files: dict[str, StaticFile] = {}
        self._making = asyncio.Lock()

    def routes(self) -> list[Route]:
        """All of them."""
        return [Route("/guide", self.begin), Route("/guide/{name}", self.answer)]

    async def begin(self, request: Request) -> Response:
        """Redirect to the first page, whose links are relative to its folder."""
        return RedirectResponse("guide/index.html", 303)

    async def answer(self, request: Request) -> Response:
        """One file of the guide. Raises HTTPException."""
        async with self._making:
            if not self._files:
                self._files = await asyncio.to_thread(_made)
        file = self._files.get(request.path_params["name"])
        if file is None:
            raise HTTPException(404 if self._files else 503)
        return file.answer(request)


def _made() -> dict[str, StaticFile]:
    """Name -> file; none where the command failed."""
    with tempfile.TemporaryDirectory() as folder:
        # -P: a folder that others may write must not hold what is imported
        words = [sys.executable, "-P", "-m", "monitor", "guide", "--html", folder]
        try:
            subprocess.run(words, check=True, capture_output=True, timeout=MOST_S)
            return {path.name: static_file(path.name, path.read_bytes()) for path in Path(folder).iterdir()}
        except (OSError, subprocess.SubprocessError):
            return {}
