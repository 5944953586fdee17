"""SIGTERM on a machine that is too slow to end, or with a part that hangs: the end is bounded, and nothing is lost."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.daemon import signals
from monitor.runs.store import Store, StoreTrouble
from tests.servers import wait_until

ROOT = Path(__file__).resolve().parent.parent.parent
WATCH = """
import logging, sys
from pathlib import Path
from monitor.daemon import assembly, signals
from tests.daemon.test_slow_end import source, settings
logging.basicConfig(level=logging.INFO)
signals.MOST_S = 0.5
assembly.watch(settings(Path(sys.argv[1])), own_sources=[source()])
"""


def settings(path: Path) -> object:
    from dataclasses import replace

    from monitor.settings import NoticeSettings, PageSettings, StoreSettings
    from tests.kitchen import SETTINGS

    return replace(
        SETTINGS,
        store=StoreSettings(path=path),
        page=PageSettings(on=False),
        notices=NoticeSettings(console=False),
    )


def source() -> object:
    from tests.kitchen import Silent
    from tests.night import night

    class Once(Silent):
        def start(self, put: object) -> None:
            for thing in list(night(every_s=60.0))[:40]:
                put(thing)  # type: ignore[operator]

    return Once()


@pytest.mark.fault("P8")
def test_an_end_that_hangs_is_cut_short_and_what_was_in_hand_is_stored(tmp_path: Path) -> None:
    path, log = tmp_path / "s.db", tmp_path / "log"
    with log.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-c", WATCH, str(path)],
            cwd=ROOT,
            stdout=out,
            stderr=out,
            env={**os.environ, "JARTIDE_FAILPOINT": "stopping:sleep", "PYTHONPATH": str(ROOT)},
        )
    try:

        def stored() -> int:
            try:
                with Store.join(path) as store:
                    return store.last_seq()
            except StoreTrouble:  # not made yet
                return 0

        wait_until(lambda: stored() > 0, "it watches")
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0, log.read_text()
        assert "cut short" in log.read_text()
        assert stored() == 40
    finally:
        process.kill()
        process.wait()


@pytest.mark.fault("P8")
def test_the_service_manager_gives_more_time_than_an_end_takes() -> None:
    unit = (ROOT / "configs" / "jartide.service").read_text()
    (allowed,) = [line.partition("=")[2] for line in unit.splitlines() if line.startswith("TimeoutStopSec=")]
    assert float(allowed) - 5.0 > signals.MOST_S
