"""`jartide completion` in the shells themselves: commands, jars and runs begun and completed by bash, zsh, fish."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from monitor.runs.store import Store
from monitor.settings import JarSettings
from tests.servers import program

BEGUN = {"jartide stat": "status", "jartide fed spe": "spelt", "jartide export 1": "1"}


@pytest.fixture
def here(tmp_path: Path) -> Path:
    """A config, a store with two runs, and the command on the PATH."""
    (tmp_path / "jartide.toml").write_text(
        '[[jar]]\nname = "rye"\n[[jar]]\nname = "spelt"\n[store]\npath = "s.db"\n[page]\non = false\n'
    )
    with Store.open(tmp_path / "s.db") as store:
        store.ensure_run(JarSettings(name="rye"), 1_772_431_200.0)
    (tmp_path / "bin").mkdir()
    started = "from monitor.cli import main; main(prog_name='jartide')"  # as the installed command does
    (tmp_path / "bin" / "jartide").write_text(f'#!/bin/sh\nexec "{sys.executable}" -c "{started}" "$@"\n')
    (tmp_path / "bin" / "jartide").chmod(0o755)
    return tmp_path


def env(here: Path) -> dict[str, str]:
    kept = {key: value for key, value in os.environ.items() if key != "JARTIDE_CONFIG"}
    return kept | {"PATH": f"{here / 'bin'}:{kept['PATH']}", "XDG_CONFIG_HOME": str(here / "own"), "TERM": "xterm"}


def said(shell: str, script: str, here: Path) -> list[str]:
    done = subprocess.run([program(shell), "-c", script], cwd=here, env=env(here), capture_output=True, text=True,
                          timeout=100, check=False)  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


def test_bash(here: Path) -> None:
    for begun, whole in BEGUN.items():
        words = begun.split()
        script = (
            f'eval "$(jartide completion bash)"; COMP_WORDS=({begun}) COMP_CWORD={len(words) - 1}; '
            'complete -p jartide >/dev/null && _jartide_completion jartide && printf "%s\\n" "${COMPREPLY[@]}"'
        )
        assert whole in said("bash", script, here), begun


def test_fish(here: Path) -> None:
    for begun, whole in BEGUN.items():
        assert whole in said("fish", f"jartide completion fish | source; complete -C '{begun}'", here), begun


def test_zsh(here: Path) -> None:
    """Typed with a Tab, as zsh completes nowhere else."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(here)
        os.execve(program("zsh"), ["zsh", "-f", "-i"], env(here))
    try:
        type_(
            terminal, "PS1='> '; autoload -U compinit; compinit -u; eval \"$(jartide completion zsh)\"; echo rea''dy\n"
        )
        wait_for(terminal, "ready")
        for begun, whole in (("jartide stat", "jartide status"), ("jartide fed spe", "jartide fed spelt")):
            type_(terminal, f"{begun}\t")
            wait_for(terminal, whole[len(begun) :])
            type_(terminal, "\x15")  # the line is taken back
    finally:
        os.kill(pid, 9)
        os.waitpid(pid, 0)
        os.close(terminal)


def type_(terminal: int, text: str) -> None:
    os.write(terminal, text.encode())


def wait_for(terminal: int, wanted: str, within_s: float = 60.0) -> None:
    """Read what the terminal shows until what is wanted stands there."""
    shown, end_s = "", time.monotonic() + within_s
    while wanted not in shown:
        assert time.monotonic() < end_s, shown
        if select.select([terminal], [], [], 1.0)[0]:
            shown += os.read(terminal, 65536).decode(errors="replace")
