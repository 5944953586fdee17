"""Days of three simulated jars through the loop: no false and no missed "feed now", flat memory, a small store.

Five days here; `JARTIDE_SOAK_DAYS=90 pytest tests/resilience/test_soak.py -n 0 -s` for a season (five minutes of
processor time); every case of the rough jar is printed.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

DAYS = float(os.environ.get("JARTIDE_SOAK_DAYS", "5"))
GROWTH_MB = 5.0
STORE_KB_A_READING = 0.12
FALSE_A_MONTH, MISSED_SHARE = 1.0, 0.03  # of the rough jar; the others have none


@pytest.mark.fault("P3")
@pytest.mark.fault("V3")
@pytest.mark.fault("V9")
@pytest.mark.timeout(300 + 60 * DAYS)
def test_days_of_three_jars(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tests.soak", str(tmp_path), str(DAYS)]
    root = Path(__file__).parents[2]
    done = subprocess.run(command, cwd=root, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    said = json.loads(done.stdout)
    print({key: value for key, value in said.items() if key != "jars"})
    for name, jar in said["jars"].items():
        print(name, {key: value for key, value in jar.items() if key != "delays_min"})
    for name, allowed in (("tended", 0.0), ("nightly", 0.0), ("rough", 1.0)):
        jar = said["jars"][name]
        assert jar["cycles"] >= DAYS, jar
        assert len(jar["false"]) <= allowed * FALSE_A_MONTH * max(DAYS / 30, 1.0), (name, jar)
        assert len(jar["missed"]) <= allowed * max(MISSED_SHARE * jar["cycles"], 1.0), (name, jar)
        assert set(jar["kinds"]) <= {"feed_now", "at_peak", "feeding_question", "sensor_silent", "sensor_back"}, jar
        # nobody is told of more than there is: one first notice a cycle at most
        assert jar["told"] <= jar["cycles"]
    assert said["jars"]["tended"]["kinds"].get("sensor_silent", 0) == 0
    assert max(said["rss_mb"]) - said["rss_mb"][0] <= GROWTH_MB, said["rss_mb"]
    assert said["store_mb"] * 1000 <= STORE_KB_A_READING * said["stored"] + 200, said
