"""Daemons that take shares of the jars from one broker: every reading is stored once, by the share it belongs to."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path

import paho.mqtt.client as mqtt

from monitor.config.share import owner
from monitor.runs.store import Store
from tests.daemon.test_watch import known, watching
from tests.servers import free_port, mosquitto, wait_until

JARS = [f"shelf-{n}" for n in range(1, 9)]
OF = 3


def config(port: int, share: str) -> str:
    return (
        f'share = "{share}"\n[[jar]]\nname = "shelf-{{1..8}}"\n'
        f'[[mqtt]]\nhost = "127.0.0.1"\nport = {port}\n'
        f'[store]\npath = "s.db"\n[notices]\nconsole = false\n[page]\nport = {free_port()}\n'
    )


def stored(folder: Path) -> list[tuple[str, int]]:
    path = folder / "s.db"
    if not path.exists():
        return []
    with Store.join(path) as store:
        rows = store.query(
            "SELECT jar.name, item.device_seq FROM item JOIN jar ON jar.id = item.jar WHERE item.device_seq IS NOT NULL"
        )
    return sorted((str(name), int(seq)) for name, seq in rows)


def test_each_reading_is_stored_once_by_the_share_that_it_belongs_to(tmp_path: Path) -> None:
    with mosquitto(tmp_path / "broker") as broker, contextlib.ExitStack() as daemons:
        folders = [tmp_path / f"share-{n}" for n in range(1, OF + 1)]
        for n, folder in enumerate(folders, 1):
            folder.mkdir()
            (folder / "jartide.toml").write_text(config(broker.port, f"{n}/{OF}"))
            daemons.enter_context(watching(folder))
        for folder in folders:
            wait_until(lambda folder=folder: (known(folder).get("sources") or [{}])[0].get("connected"), "connected")  # type: ignore[index, misc]
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="boards")
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        for seq in range(5):
            for jar in JARS:
                body = {"distance_mm": 100.0 - seq, "seq": seq, "boot": "a", "up_ms": 1000 * seq}
                client.publish(f"jartide/{jar}/reading", json.dumps(body), qos=1).wait_for_publish(30)
        client.loop_stop()
        wait_until(lambda: sum(len(stored(folder)) for folder in folders) >= 5 * len(JARS), "all is stored")
        for n, folder in enumerate(folders, 1):
            mine = [jar for jar in JARS if owner(jar, OF) == n]
            assert stored(folder) == sorted((jar, seq) for jar in mine for seq in range(5))
            status = known(folder)
            assert status["refused"] == []  # what belongs to the others is passed over, not counted as a stranger's
            assert [one["jar"] for one in status["jars"]] == mine  # type: ignore[attr-defined, index, union-attr]


def test_a_share_without_a_jar_keeps_running_and_says_so(tmp_path: Path) -> None:
    """The one jar belongs to one of two shares: the daemon of the other."""
    other = 3 - owner("rye", 2)
    (tmp_path / "jartide.toml").write_text(
        f'share = "{other}/2"\n[[jar]]\nname = "rye"\n[[serial]]\nport = "{tmp_path}/nothing"\n'
        f'[store]\npath = "s.db"\n[notices]\nconsole = false\n[page]\nport = {free_port()}\n'
    )
    with watching(tmp_path) as process:
        wait_until(lambda: known(tmp_path).get("troubles"), "it says what is odd")
        (said,) = [one for one in known(tmp_path)["troubles"] if "share" in one]  # type: ignore[attr-defined]
        assert f"share of the jars ({other}/2) holds none of them" in said
        assert process.poll() is None
