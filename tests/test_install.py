"""The wheel as somebody has it who never saw the repository: all that is shipped is in it and is found again."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest
from uv import find_uv_bin

ROOT = Path(__file__).resolve().parents[1]
FOLDERS = ("configs", "firmware_notes", "simulated_runs")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from a copy, as building leaves folders behind."""
    source = tmp_path_factory.mktemp("source") / "jartide"
    shutil.copytree(
        ROOT,
        source,
        ignore=shutil.ignore_patterns(".git", ".venv", "*_cache", "*.egg-info", "build", "tests", ".hypothesis"),
    )
    into = tmp_path_factory.mktemp("wheel")
    words = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", str(into), str(source)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (made,) = into.glob("jartide-*.whl")
    return made


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its command in an environment of its own, which borrows only what jartide depends on."""
    place = tmp_path_factory.mktemp("env") / "venv"
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(place)], check=True)
    python = place / "bin" / "python"
    subprocess.run(
        [sys.executable, "-m", "pip", "--quiet", "--python", str(python), "install", "--no-deps", str(wheel)],
        check=True,
        capture_output=True,
    )
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


@pytest.fixture(scope="module")
def downloads(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What one installer has brought need not be brought again for the next Python."""
    return tmp_path_factory.mktemp("downloads")


@pytest.mark.timeout(600)
@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("tool", ["uv", "pipx"])
def test_the_usual_installers_of_programs_take_it(
    wheel: Path, tmp_path: Path, downloads: Path, tool: str, version: str
) -> None:
    """With all that it depends on, from the package index, as a newcomer gets it; on each Python that is here."""
    python = interpreter(version)
    if python is None:
        pytest.skip(f"there is no Python {version} here")
    home, bin_ = str(tmp_path / "home"), tmp_path / "bin"
    words = {
        "uv": [str(find_uv_bin()), "tool", "install", "--python", python, str(wheel)],
        "pipx": [sys.executable, "-m", "pipx", "install", "--python", python, str(wheel)],
    }[tool]
    env = {**os.environ, "UV_TOOL_DIR": home, "UV_TOOL_BIN_DIR": str(bin_), "UV_CACHE_DIR": str(downloads / "uv"),
           "UV_PYTHON_DOWNLOADS": "never", "PIPX_HOME": home, "PIPX_BIN_DIR": str(bin_),
           "PIPX_MAN_DIR": str(tmp_path / "man"), "PIP_CACHE_DIR": str(downloads / "pip")}  # fmt: skip
    done = subprocess.run(words, capture_output=True, text=True, check=False, env=env)
    assert done.returncode == 0, done.stderr
    assert run(bin_ / "jartide", "init", "--yes", cwd=tmp_path).returncode == 0
    service = run(bin_ / "jartide", "init", "--service", "--root", str(tmp_path / "root"), "--yes", cwd=tmp_path)
    assert service.returncode == 0, service.stderr
    assert "The first evening" in run(bin_ / "jartide", "guide", "first", "evening", cwd=tmp_path).stdout
    if tool == "pipx":  # which links what a wheel brings below share/man
        assert (tmp_path / "man" / "man1" / "jartide.1").exists()
