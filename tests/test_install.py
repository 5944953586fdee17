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


@pytest.mark.parametrize("tool", ["uv", "pipx"])
def test_the_usual_installers_of_programs_take_it(wheel: Path, tmp_path: Path, tool: str) -> None:
    """With all that it depends on, from the package index, as a newcomer gets it."""
    home, bin_ = str(tmp_path / "home"), tmp_path / "bin"
    words = {
        "uv": [str(find_uv_bin()), "tool", "install", "--python", sys.executable, str(wheel)],
        "pipx": [sys.executable, "-m", "pipx", "install", "--python", sys.executable, str(wheel)],
    }[tool]
    env = {**os.environ, "UV_TOOL_DIR": home, "UV_TOOL_BIN_DIR": str(bin_), "UV_CACHE_DIR": str(tmp_path / "cache"),
           "UV_PYTHON_DOWNLOADS": "never", "PIPX_HOME": home, "PIPX_BIN_DIR": str(bin_)}  # fmt: skip
    done = subprocess.run(words, capture_output=True, text=True, check=False, env=env)
    assert done.returncode == 0, done.stderr
    assert run(bin_ / "jartide", "init", "--yes", cwd=tmp_path).returncode == 0
    service = run(bin_ / "jartide", "init", "--service", "--root", str(tmp_path / "root"), "--yes", cwd=tmp_path)
    assert service.returncode == 0, service.stderr
