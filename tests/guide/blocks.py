"""The code blocks of the guide's pages, and a house in which their commands can be run."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from monitor import guide
from monitor.settings import DisplaySettings, JarSettings, Settings, StoreSettings
from tests.page_house import grow
from tests.servers import free_port

FENCED = re.compile(r"^```([\w-]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True, slots=True)
class Block:
    """One code block: its page, its place there, its language and its text."""

    page: str
    at: int
    language: str
    text: str

    @property
    def lines(self) -> list[str]:
        return [line for line in self.text.splitlines() if line.strip()]

    def __str__(self) -> str:
        return f"{self.page}-{self.at}"


BLOCKS = [
    Block(page.key, at, found[1], found[2])
    for page in guide.keeper_pages()
    for at, found in enumerate(FENCED.finditer(page.text))
]


def of(*languages: str) -> list[Block]:
    return [block for block in BLOCKS if block.language in languages]


def build(folder: Path, until_s: float) -> None:
    """A jar with two and a half days of past, and a config of it."""
    settings = Settings(
        jars=(JarSettings(name="rye", empty_mm=180.0, rim_mm=120.0, flour="rye"),),
        store=StoreSettings(path=folder / "jartide.db"),
        display=DisplaySettings(time_zone="UTC"),
    )
    grow(settings, 2.5, until_s)
    (folder / "page_token").write_text("TOKEN\n")
    (folder / "page_token").chmod(0o600)


def config(folder: Path, *, broker: int | None = None, jars: str = "") -> int:
    """Write the config, with further `jars` as it says them; returns the page's port."""
    port = free_port()
    source = f'[[mqtt]]\nhost = "127.0.0.1"\nport = {broker}\n' if broker else ""
    (folder / "jartide.toml").write_text(
        f'[[jar]]\nname = "rye"\nempty_mm = 180\nrim_mm = 120\nflour = "rye"\n{jars}{source}'
        f'[page]\nport = {port}\ntoken_file = "page_token"\n[display]\ntime_zone = "UTC"\n'
    )
    return port


def run(line: str, folder: Path, *, within_s: float = 100.0) -> subprocess.CompletedProcess[str]:
    """A line as a shell reads it, with `jartide` being this program."""
    bin_ = folder / "bin"
    if not bin_.exists():
        bin_.mkdir()
        (bin_ / "jartide").write_text(f'#!/bin/sh\nexec "{sys.executable}" -m monitor "$@"\n')
        (bin_ / "jartide").chmod(0o755)
    env = {key: value for key, value in os.environ.items() if key != "JARTIDE_CONFIG"}
    env |= {"PATH": f"{bin_}:{env['PATH']}:/usr/sbin", "XDG_CONFIG_HOME": str(folder / "own"), "TZ": "UTC"}
    bash = shutil.which("bash")
    assert bash is not None
    return subprocess.run(
        [bash, "-c", line], cwd=folder, env=env, capture_output=True, text=True, timeout=within_s, check=False
    )
