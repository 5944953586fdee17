"""What is not imported where nobody waits for it: the libraries of pictures, reviews and guides are not in a command's
help nor in the daemon as it starts, page and broker included."""

from __future__ import annotations

import re
import subprocess
import sys
from importlib.metadata import packages_distributions
from pathlib import Path

from tests.servers import free_port
from tests.test_dependencies import installed

HEAVY = {
    "numpy", "matplotlib", "apprise", "influxdb_client", "prometheus_client", "icalendar", "markdown", "cryptography",
    "requests", "tomlkit",
}  # fmt: skip
OURS = {
    "monitor.review.smoother",
    "monitor.review.picture",
    "monitor.review.still",
    "monitor.simulator",
    "monitor.check",
    "monitor.cli.reference",
}
DAEMON = {  # what starting takes of others, with a broker and the page
    "anyio", "apscheduler", "click", "h11", "itsdangerous", "jinja2", "markupsafe", "paho", "starlette",
    "typing_extensions", "tzdata", "tzlocal", "uvicorn", "idna",
}  # fmt: skip
LISTED = """
import sys
before = set(sys.modules)  # an interpreter may bring its own: the one whose clock is moved does
def loaded():
    return sorted(name for name, module in sys.modules.items() if module is not None and name not in before)
"""
STARTED = """
import os, signal, threading, time, urllib.request
from pathlib import Path
from monitor.config.reader import load
from monitor.daemon import assembly
def look():
    while True:
        try:
            urllib.request.urlopen("http://127.0.0.1:%d/", timeout=30).read()
            break
        except OSError:
            time.sleep(0.05)
    print("\\n".join(loaded()), flush=True)
    os.kill(os.getpid(), signal.SIGTERM)
threading.Thread(target=look, daemon=True).start()
assembly.watch(load(Path("jartide.toml")), reread=lambda: load(Path("jartide.toml")))
"""


def names(code: str, cwd: Path) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", LISTED + code], cwd=cwd, capture_output=True, text=True, check=False, timeout=100
    )
    assert done.returncode == 0, done.stderr
    return set(done.stdout.split())


def others(loaded: set[str]) -> set[str]:
    """The packages among them that an installation of ours brings."""
    ours = set(installed())
    of = {
        name: {re.sub(r"[-_.]+", "-", one).lower() for one in found} for name, found in packages_distributions().items()
    }
    return {name for name in {name.partition(".")[0] for name in loaded} if of.get(name, set()) & ours}


def test_the_list_of_commands_imports_none_of_them(tmp_path: Path) -> None:
    run = "from monitor.cli import main; main(%r, standalone_mode=False); print(*loaded(), sep='\\n')"
    for words in (["--help"], ["--version"]):
        ours = {name for name in names(run % words, tmp_path) if name.startswith("monitor.")}
        assert ours == {"monitor.cli", "monitor.cli.nearest"}


def test_status_waits_for_none_of_the_models_it_does_not_ask(tmp_path: Path) -> None:
    loaded = names("import monitor.cli.status; print(*loaded(), sep='\\n')", tmp_path)
    assert not [name for name in loaded if name.startswith("monitor.core.plan")]
    assert loaded & {"monitor.core.detect.state", "monitor.core.forecast.starter_model"} == set()


def test_no_commands_help_waits_for_what_only_some_do(tmp_path: Path) -> None:
    loaded = names(
        "from pathlib import Path; from monitor.cli import manual; manual.write(Path('man')); print(*loaded())",
        tmp_path,
    )
    assert "monitor.cli.watch" in loaded
    assert loaded & HEAVY == set()
    # so a wheel can be built where nothing else is installed
    assert others(loaded) == {"click"}


def test_the_daemon_starts_without_what_only_reviews_and_pictures_need(tmp_path: Path) -> None:
    port = free_port()
    (tmp_path / "jartide.toml").write_text(
        f'[[jar]]\nname = "rye"\n[[mqtt]]\nhost = "127.0.0.1"\nport = {free_port()}\n[page]\nport = {port}\n'
        "[notices]\nconsole = false\n"
    )
    loaded = names(STARTED % port, tmp_path)
    assert "monitor.page.app" in loaded
    assert loaded & (HEAVY | OURS) == set()
    assert others(loaded) <= DAEMON
