"""The wheel as somebody has it who never saw the repository: all that is shipped is in it and is found again."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest
from uv import find_uv_bin

from monitor.settings import PageSettings
from tests.guide.blocks import of
from tests.servers import program as installed_program

ROOT = Path(__file__).resolve().parents[1]
QUIETLY = {**os.environ, "UV_PYTHON_DOWNLOADS": "never"}
FOLDERS = ("configs", "firmware_notes", "simulated_runs")


def uv(*words: str) -> None:
    """Installs as pip does, in a fifth of the time."""
    done = subprocess.run([str(find_uv_bin()), *words], capture_output=True, text=True, check=False, env=QUIETLY)
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built as the guide says, from a copy, as building leaves folders behind."""
    source = tmp_path_factory.mktemp("source") / "jartide"
    shutil.copytree(
        ROOT,
        source,
        ignore=shutil.ignore_patterns(".git", ".venv", "*_cache", "*.egg-info", "build", "tests", ".hypothesis"),
    )
    (block,) = of("sh-wheel")
    env = {**QUIETLY, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    done = subprocess.run(block.text, shell=True, cwd=source, capture_output=True, text=True, check=False, env=env)
    assert done.returncode == 0, done.stderr
    (made,) = source.glob("wheel/jartide-*.whl")
    return made


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its command in an environment of its own, which borrows only what jartide depends on."""
    place = tmp_path_factory.mktemp("env") / "venv"
    uv("venv", "--python", sys.executable, str(place))
    uv("pip", "install", "--python", str(place / "bin" / "python"), "--no-deps", str(wheel))
    (site,) = place.glob("lib/python*/site-packages")
    (site / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return place / "bin" / "jartide"


def run(command: Path, *words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    env = {key: value for key, value in os.environ.items() if key not in ("PYTHONPATH", "JARTIDE_CONFIG")}
    return subprocess.run([str(command), *words], cwd=cwd, capture_output=True, text=True, check=False, env=env)


def test_the_wheel_carries_what_lies_beside_the_program(wheel: Path) -> None:
    names = {name.partition("/share/jartide/")[2] for name in zipfile.ZipFile(wheel).namelist()}
    for folder in FOLDERS:
        here = {
            str(path.relative_to(ROOT))
            for path in (ROOT / folder).rglob("*")
            if path.is_file() and "__pycache__" not in path.parts
        }
        assert here <= names, sorted(here - names)


def test_the_wheel_brings_the_man_pages_that_the_command_would_write(
    wheel: Path, installed: Path, tmp_path: Path
) -> None:
    assert run(installed, "manual", str(tmp_path / "man1"), cwd=tmp_path).returncode == 0
    with zipfile.ZipFile(wheel) as packed:
        inside = {
            name.rpartition("/")[2]: packed.read(name) for name in packed.namelist() if "/share/man/man1/" in name
        }
    assert inside == {page.name: page.read_bytes() for page in (tmp_path / "man1").iterdir()}


def test_a_first_evening_without_a_checkout(installed: Path, tmp_path: Path) -> None:
    where = run(installed.with_name("python"), "-c", "import monitor; print(monitor.__file__)", cwd=tmp_path)
    assert str(installed.parent.parent) in where.stdout
    made = run(installed, "init", "--yes", "--jar", "rye", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    again = run(installed, "status", cwd=tmp_path)
    assert "Nothing is known yet." in again.stdout
    service = run(installed, "init", "--service", "--root", str(tmp_path / "root"), "--yes", cwd=tmp_path)
    assert service.returncode == 0, service.stderr
    assert (tmp_path / "root/etc/systemd/system/jartide.service").is_file()
    help_ = run(installed, "--help", cwd=tmp_path)
    assert "Every day" in help_.stdout


def test_the_containers_file_comes_out_of_the_wheel_and_takes_it(wheel: Path, tmp_path: Path) -> None:
    """tests/bench/container.py builds it. Words of an instruction after docs.docker.com/reference/dockerfile."""
    (block,) = of("sh-container")
    folder = shutil.copytree(wheel.parent, tmp_path / "here")
    installed_program("unzip")
    subprocess.run(block.lines[0], shell=True, cwd=folder, check=True, capture_output=True)
    assert "-f Containerfile ." in block.lines[1]
    text = (folder / "Containerfile").read_text().replace("\\\n", "")
    steps = [line.split(" ", 1) for line in text.splitlines() if line and not line.startswith("#")]
    says = {word: rest for word, rest in steps if word != "RUN"}
    assert [word for word, _ in steps][:3] == ["FROM", "COPY", "RUN"]
    copied, _ = says["COPY"].split()
    assert list(folder.glob(copied)) == [folder / wheel.name]  # what it takes of the folder is there
    for rest in (rest for word, rest in steps if word == "RUN"):
        assert subprocess.run(["sh", "-n", "-c", rest], check=False).returncode == 0
    assert says["USER"] == "jartide"
    assert json.loads(says["CMD"]) == ["jartide", "watch"]
    assert says["WORKDIR"] == says["VOLUME"] == str(Path(says["ENV"].removeprefix("JARTIDE_CONFIG=")).parent)
    assert says["EXPOSE"] == str(PageSettings().port)


VERSIONS = ("3.11", "3.12", "3.13", "3.14")


def interpreter(version: str) -> str | None:
    """One of this version that works: the test's own, on the PATH, or of pyenv (whose shims stand for none)."""
    pyenv = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
    places = [sys.executable, shutil.which(f"python{version}"), *map(str, pyenv.glob(f"{version}.*/bin/python"))]
    for place in filter(None, places):
        said = subprocess.run([place, "--version"], capture_output=True, text=True, check=False)
        if said.stdout.startswith(f"Python {version}."):
            return place
    return None


@pytest.mark.timeout(600)
@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("tool", ["uv", "pipx"])
def test_the_usual_installers_of_programs_take_it(wheel: Path, tmp_path: Path, tool: str, version: str) -> None:
    """With all that it depends on, from the package index, as a newcomer gets it; on each Python that is here."""
    python = interpreter(version)
    if python is None:
        pytest.skip(f"there is no Python {version} here")
    home, bin_ = str(tmp_path / "home"), tmp_path / "bin"
    (line,) = (line for block in of("sh-install") for line in block.lines if line.startswith(tool))
    assert line.endswith(f" {wheel.name}")
    program = {"uv": [str(find_uv_bin())], "pipx": [sys.executable, "-m", "pipx"]}[tool]
    words = [*program, *line.split()[1:-1], "--python", python, str(wheel)]
    env = {**QUIETLY, "UV_TOOL_DIR": home, "UV_TOOL_BIN_DIR": str(bin_), "PIPX_HOME": home, "PIPX_BIN_DIR": str(bin_),
           "PIPX_MAN_DIR": str(tmp_path / "man")}  # fmt: skip
    done = subprocess.run(words, capture_output=True, text=True, check=False, env=env)
    assert done.returncode == 0, done.stderr
    if tool == "pipx":  # the same environment as the other makes, and it links what a wheel brings below share/man
        assert run(bin_ / "jartide", "--version", cwd=tmp_path).returncode == 0
        assert (tmp_path / "man" / "man1" / "jartide.1").exists()
        return
    service = run(bin_ / "jartide", "init", "--service", "--root", str(tmp_path / "root"), "--yes", cwd=tmp_path)
    assert service.returncode == 0, service.stderr  # reads the units, and every command for its man page
    assert "The first evening" in run(bin_ / "jartide", "guide", "first", "evening", cwd=tmp_path).stdout
