"""Fifty open pages beside lively sources: every reading is still committed, and soon."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
import time
from pathlib import Path

from monitor.runs.store import Store
from tests.page_house import settings_of
from tests.servers import free_port, listens, wait_until

PAGES = 50
READINGS = 150  # of each of three jars, a hundred a second in all
NAMES = ("rye", "wheat", "spelt")


def watched(folder: Path, pages: int) -> dict[str, float]:
    """What the source saw (tests.page_house.Trickle) while so many pages were open."""
    folder.mkdir()
    port = free_port()
    (folder / "port").write_text(str(port))
    (folder / "jars").write_text("\n".join(NAMES))
    (folder / "pace").write_text(f"0.03 {READINGS}")
    process = subprocess.Popen([sys.executable, "-m", "tests.page_house", str(folder)])
    try:
        wait_until(lambda: listens(port), "the page listens", 40)
        seen = asyncio.run(_look(port, pages, folder / "seen"))
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(20)
    figures: dict[str, float] = json.loads((folder / "seen").read_text())
    return {**figures, **seen}


async def _look(port: int, pages: int, until: Path) -> dict[str, float]:
    """Open the pages' event streams and keep asking as pages do, until the source is done."""
    events, answers = 0, 0
    done = asyncio.Event()

    async def page(number: int) -> None:
        nonlocal events
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"GET /api/events HTTP/1.1\r\nhost: localhost\r\n\r\n")
        while line := await reader.readline():
            events += line.startswith(b"data:")
        writer.close()

    async def asking() -> None:
        nonlocal answers
        while not done.is_set():
            for path in (
                "/api/now",
                "/api/jars/rye/curve",
                "/api/health",
                "/api/jars/rye/cycles",
                "/api/jars/rye/plan",
            ):
                reader, writer = await asyncio.open_connection("127.0.0.1", port)
                writer.write(f"GET {path} HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n".encode())
                answers += (await reader.read()).startswith(b"HTTP/1.1 200")
                writer.close()

    tasks = [asyncio.create_task(page(k)) for k in range(pages)] + ([asyncio.create_task(asking())] if pages else [])
    end_s = time.monotonic() + 60
    while not until.exists() and time.monotonic() < end_s:
        await asyncio.sleep(0.1)
    done.set()
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    return {"events": events, "answers": answers}


def test_fifty_pages_cost_no_reading(tmp_path: Path) -> None:
    seen = watched(tmp_path / "watched", PAGES)
    print(f"with {PAGES} pages: {seen}")
    assert seen["sent"] == READINGS * len(NAMES)
    assert seen["acknowledged"] == seen["sent"]
    with Store.join(settings_of(tmp_path / "watched", NAMES).store.path) as store:
        (count,) = store.query("SELECT count(*) FROM item WHERE told IS NULL")[0]
    assert count == seen["sent"]
    # a reading waits up to 5 s for its group's commit in any case; that and a second more
    assert seen["longest_wait_s"] < 6.0
    assert seen["events"] > PAGES * 5
    assert seen["answers"] > 5
