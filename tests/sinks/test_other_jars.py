"""The jars of other daemons: what is taken for a state, and one page that lists them all."""

from __future__ import annotations

import json
from pathlib import Path

import httpx
import pytest

from monitor.config.share import owner
from monitor.sinks.other_jars import OtherJars, other_jar
from monitor.values import SourceHealth, Stage
from tests.daemon.test_watch import watching
from tests.servers import free_port, mosquitto, wait_until

NOW_S = 1_772_450_000.0


class Line:
    """A connection on which a test speaks."""

    name = "test"

    def __init__(self) -> None:
        self.acknowledged: list[object] = []

    def listen(self, topic: str, take: object) -> None:
        self.topic = topic

    def publish(self, topic: str, payload: str, *, retain: bool = False) -> bool:
        return True

    def acknowledge(self, tokens: object) -> None:
        self.acknowledged.append(tokens)

    def health(self) -> SourceHealth:
        raise NotImplementedError


def state(**fields: object) -> bytes:
    return json.dumps({"time": "2026-03-02T11:00:00Z", "stage": "rising", **fields}).encode()


def test_a_state_is_taken_and_ours_is_passed_over() -> None:
    line = Line()
    others = OtherJars(line, "jartide/{jar}/state", ["mine"], lambda: NOW_S)
    later = {"earliest": None, "likely": "2026-03-02T18:00:00Z", "latest": None}
    others.take("b", state(forecast_fall_at=later), True, "t1")
    others.take("a", state(stage="falling", fall_at="2026-03-02T09:00:00Z", rise_ratio=2.1), True, "t2")
    others.take("mine", state(), True, "t3")
    assert [(one.jar, one.stage) for one in others.known()] == [("a", Stage.FALLING), ("b", Stage.RISING)]
    assert len(line.acknowledged) == 3  # also what is passed over: else the broker would bring it again


@pytest.mark.parametrize(
    "payload",
    [b"", b"[]", b"null", b"{", b'{"stage": "burning"}', b'{"stage": 3}', b"[" * 5000, b"x" * 20_000, b'{"stage": []}'],
)
def test_what_is_no_state_is_passed_over(payload: bytes) -> None:
    assert other_jar("a", payload, NOW_S) is None


def test_odd_values_are_left_out() -> None:
    one = other_jar("a", state(rise_ratio="2", temperature_c=1e9, fed_at=7, fall_at="soon", forecast_fall_at=[]), NOW_S)
    assert one is not None
    assert (one.rise_ratio, one.temperature_c, one.fed_at_s, one.fall_at_s) == (None, None, None, None)


def test_one_page_lists_the_other_shares_jars(tmp_path: Path) -> None:
    jars = [f"shelf-{n}" for n in range(1, 9)]
    port = free_port()
    with mosquitto(tmp_path / "broker") as broker:
        for n in (1, 2):
            (tmp_path / str(n)).mkdir()
            page = f"port = {port}\nothers = true\n" if n == 1 else "on = false\n"
            (tmp_path / str(n) / "jartide.toml").write_text(
                f'share = "{n}/2"\n[[jar]]\nname = "shelf-{{1..8}}"\n'
                f'[[mqtt]]\nhost = "127.0.0.1"\nport = {broker.port}\n[notices]\nconsole = false\n[page]\n{page}'
            )
        with watching(tmp_path / "1"), watching(tmp_path / "2"):

            def listed() -> list[str]:
                try:
                    answer = httpx.get(f"http://127.0.0.1:{port}/api/others", timeout=10)
                except httpx.TransportError:
                    return []
                return sorted(one["jar"] for one in answer.json()["jars"])

            others = sorted(jar for jar in jars if owner(jar, 2) == 2)
            wait_until(lambda: listed() == others, "the other share's jars are listed", 120)
