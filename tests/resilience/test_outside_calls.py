"""The list of places that reach outside is made by the code, and a failure at one of them is noticed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.outside_calls import failpoints, places

ROOT = Path(__file__).resolve().parent.parent.parent


def test_the_places_that_everything_hangs_on_are_among_them() -> None:
    found = {(place.path, place.call) for place in places()}
    assert ("monitor/runs/store_file.py", "sqlite3.connect") in found
    assert ("monitor/runs/store_file.py", "os.rename") in found
    assert ("monitor/config/reader.py", "path.open") in found
    assert ("monitor/host/lock.py", "fcntl.flock") in found
    assert {"committed", "acknowledged", "stepped", "kept", "sent", "migrating", "stopping"} <= failpoints()


@pytest.mark.timeout(600)  # two programs that read all of the code, one after the other
def test_a_place_that_failed_is_no_longer_listed(tmp_path: Path) -> None:
    test = tmp_path / "test_one.py"
    test.write_text(
        "import pytest\nfrom pathlib import Path\nfrom monitor.config.reader import SettingsError, load\n"
        "def test_one(tmp_path):\n    with pytest.raises(SettingsError):\n        load(tmp_path / 'none')\n"
    )
    ran = [
        subprocess.run(
            [sys.executable, "-m", "tests.outside_calls", *more],
            cwd=ROOT, capture_output=True, text=True, timeout=300, check=True,
        ).stdout
        for more in ([], [str(test)])
    ]  # fmt: skip
    assert "monitor/config/reader.py" in ran[0]
    before, after = ([line for line in out.splitlines() if "config/reader.py" in line] for out in ran)
    assert len(after) == len(before) - 1
    assert "1 passed" in ran[1]
