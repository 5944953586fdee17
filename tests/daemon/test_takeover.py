"""A daemon dies and another takes its store and share; a jar changes its daemon: while readings keep coming, each is
stored once."""

from __future__ import annotations

import contextlib
import itertools
import json
import threading
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt

from monitor.config.share import owner
from monitor.runs.store import Store, StoreTrouble
from tests.daemon.test_watch import jartide, known, watching
from tests.servers import mosquitto, wait_until

ALL_QUEUED = ("max_queued_messages 0",)  # a broker lets go of what exceeds its limit: `jartide check` names it
JARS = [f"shelf-{n}" for n in range(1, 9)]


def config(folder: Path, port: int, store: Path, jars: str, share: str = "") -> None:
    folder.mkdir(exist_ok=True)
    (folder / "jartide.toml").write_text(
        f'{share}[[jar]]\nname = "{jars}"\n[[mqtt]]\nhost = "127.0.0.1"\nport = {port}\n'
        f'[store]\npath = "{store}"\n[notices]\nconsole = false\n[page]\non = false\n'
    )


class Boards:
    """One device a jar, which counts what it sends; `published` is how far it has come."""

    def __init__(self, port: int) -> None:
        self.published = 0
        self._stop = threading.Event()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="boards")
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        for seq in itertools.count():
            for jar in JARS:
                body = {"distance_mm": 100.0 - seq % 50, "seq": seq, "boot": "a", "up_ms": 200 * seq}
                self._client.publish(f"jartide/{jar}/reading", json.dumps(body), qos=1).wait_for_publish(30)
            self.published = seq + 1
            if self._stop.wait(0.05):
                return

    def __enter__(self) -> Boards:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        self._client.loop_stop()

    def stop(self) -> None:
        """Send no more."""
        self._stop.set()
        self._thread.join()


def numbers(store: Path) -> list[tuple[str, int]]:
    """(jar, the device's number) of all that is stored, doubles included."""
    if not store.exists():
        return []
    try:
        with Store.join(store) as opened:
            rows = opened.query(
                "SELECT jar.name, device_seq FROM item JOIN jar ON jar.id = item.jar WHERE device_seq IS NOT NULL"
            )
    except StoreTrouble:  # it is being made
        return []
    return sorted((str(name), int(seq)) for name, seq in rows)


def connected(folder: Path) -> bool:
    return bool((known(folder).get("sources") or [{}])[0].get("connected"))  # type: ignore[index]


@contextlib.contextmanager
def watched(folder: Path) -> Iterator[object]:
    with watching(folder) as process:
        wait_until(lambda: connected(folder), f"{folder.name} is connected")
        yield process


def test_a_daemon_that_was_killed_is_taken_over_with_its_share_and_store(tmp_path: Path) -> None:
    """The way that the guide for many jars describes: the same store, the same share, on another machine."""
    shared = tmp_path / "shared"
    shared.mkdir()
    stores = [shared / "one.db", shared / "two.db"]
    mine = [[jar for jar in JARS if owner(jar, 2) == n] for n in (1, 2)]
    with mosquitto(tmp_path / "broker", more=ALL_QUEUED) as broker:
        for n, name in enumerate(("one", "two", "stand-in")):
            share = f'share = "{n % 2 + 1}/2"\n'
            config(tmp_path / name, broker.port, stores[n % 2], "shelf-{1..8}", share)
        with watched(tmp_path / "two"), contextlib.ExitStack() as sending:
            with watched(tmp_path / "one") as first:
                boards = sending.enter_context(Boards(broker.port))
                wait_until(lambda: len(numbers(stores[0])) > 20 * len(mine[0]), "some are stored")
                first.kill()  # type: ignore[attr-defined]
            at = boards.published
            wait_until(lambda: boards.published > at + 20, "more are sent while nobody watches that share")
            with watched(tmp_path / "stand-in"):
                at = boards.published
                wait_until(lambda: boards.published > at + 20, "and more")
                boards.stop()
                sent = sorted((jar, seq) for jar in JARS for seq in range(boards.published))
                wait_until(lambda: sum(len(numbers(store)) for store in stores) >= len(sent), "all is stored")
                for store, jars in zip(stores, mine, strict=True):
                    assert numbers(store) == [one for one in sent if one[0] in jars]


def test_a_jar_that_changes_its_daemon_loses_and_doubles_nothing(tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    with mosquitto(tmp_path / "broker", more=ALL_QUEUED) as broker:
        config(one, broker.port, one / "s.db", "shelf-{1..4}")
        config(two, broker.port, two / "s.db", "shelf-{5..8}")
        with contextlib.ExitStack() as sending:
            with watched(one):
                with watched(two):
                    boards = sending.enter_context(Boards(broker.port))
                    wait_until(lambda: len(numbers(two / "s.db")) > 100, "some are stored")
                at = boards.published  # the one that takes over stands still first: the broker holds what comes for it
                wait_until(lambda: boards.published > at + 5, "the other goes on a while")
            config(one, broker.port, one / "s.db", "shelf-{1..3}")
            config(two, broker.port, two / "s.db", "shelf-{4..8}")
            done = jartide("move", "shelf-4", "--from", str(one / "jartide.toml"), "--to", str(two / "jartide.toml"),
                           cwd=tmp_path)  # fmt: skip
            assert done.returncode == 0, done.stderr
            with watched(one), watched(two):
                at = boards.published
                wait_until(lambda: boards.published > at + 20, "more are sent")
                boards.stop()
                wanted = sorted((jar, seq) for jar in JARS[3:] for seq in range(boards.published))
                wait_until(lambda: len(numbers(two / "s.db")) >= len(wanted), "all is stored")
        found = numbers(two / "s.db")
    assert [one for one in wanted if one not in set(found)] == []
    assert found == wanted
