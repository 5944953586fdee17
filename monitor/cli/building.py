"""How the wheel is built (PEP 517): as setuptools does, plus man pages made from the help that the commands
print. Not for the command line."""

from __future__ import annotations

from pathlib import Path

from setuptools import build_meta
from setuptools.build_meta import *  # noqa: F403

MAN = Path("build/man1")  # pyproject.toml takes them from there


def build_wheel(
    wheel_directory: str, config_settings: dict[str, str] | None = None, metadata_directory: str | None = None
) -> str:
    """Like setuptools' own, with a share/man/man1."""
    from monitor.cli import manual

    manual.write(MAN)
    return str(build_meta.build_wheel(wheel_directory, config_settings, metadata_directory))
