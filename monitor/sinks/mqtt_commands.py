"""What others report over MQTT: feedings and notes on the command topic, answered on the same topic plus `/result`.

One JSON object with one key, whose value is the body of the page's request of that name: `{"fed": {...}}`, `{"noted":
{...}}`, `{"snoozed": {...}}`, `{"taken_back": {...}}`, `{"corrected": {...}}`, `{"not_so": {...}}`; its rules and
bounds are the page's. An `id` beside it comes back in the answer. A retained command is refused, as it would be obeyed
again at each connection. A message is acknowledged when it is stored or refused, so a crash loses none; of more than
MOST_WAITING at once the rest are dropped, which is logged. One that comes twice is recognised by the page's own rules.
"""

from __future__ import annotations

import json
import logging
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from monitor.host.heartbeat import sending
from monitor.host.worker import Worker
from monitor.runs import report_body
from monitor.runs.report_body import Refused
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import JarSettings, MqttSettings, Settings
from monitor.sinks.mqtt_connection import STOP_S, Connection
from monitor.sinks.worker_sink import WorkerSink
from monitor.values import Json

log = logging.getLogger(__name__)

COMMANDS = ("fed", "noted", "snoozed", "taken_back", "corrected", "not_so")
MOST_BYTES = 4096
MOST_WAITING = 100  # commands; people give a few a day


class MqttCommands(WorkerSink):
    """See the module: for the command topic of one connection. What still waits at the end comes again at the next
    start."""

    advice = "No report is lost; see the other problems."

    def __init__(
        self,
        path: Path,
        connection: Connection,
        mqtt: MqttSettings,
        settings: Settings,
        wall: Callable[[], float] = time.time,
    ) -> None:
        assert mqtt.command_topic
        self._path = path
        self._connection = connection
        self._topic = mqtt.command_topic
        self._settings = settings
        self._wall = wall
        self._waiting: deque[tuple[str | None, bytes, bool, object]] = deque()
        super().__init__(Worker(f"commands from {connection.name}", self._turn), stop_s=STOP_S)
        connection.listen(self._topic, self._take)

    def _take(self, jar: str | None, payload: bytes, retained: bool, token: object) -> None:
        if len(self._waiting) >= MOST_WAITING:
            # acknowledgements go in order, so commands must not hold up those of readings
            log.warning("too many commands at once: one was dropped")
            self._connection.acknowledge([token])
            return
        self._waiting.append((jar, payload[: MOST_BYTES + 1], retained, token))
        self._worker.wake()

    def _turn(self) -> float | None:
        while self._waiting and not self._worker.stopping:
            jar, payload, retained, token = self._waiting[0]
            with sending():
                answer = self._answer(jar, payload, retained)
                self._waiting.popleft()
                self._connection.acknowledge([token])
                topic = self._topic.replace("{jar}", jar or "all")
                self._connection.publish(f"{topic}/result", json.dumps(answer, ensure_ascii=False))
        return None

    def _answer(self, jar: str | None, payload: bytes, retained: bool) -> dict[str, Json]:
        given: dict[str, Any] = {}
        try:
            given = _command(payload, retained)
            told = self._tell(self._jar(jar), given)
        except Refused as error:
            log.info("a command was refused: %s", error)
            return {"ok": False, "error": str(error), "id": given.get("id")}
        except StoreTrouble as error:
            return {"ok": False, "error": f"the store: {error}; send it again", "id": given.get("id")}
        return {"ok": True, **told, "id": given.get("id")}

    def _tell(self, jar: JarSettings, given: dict[str, Any]) -> dict[str, Json]:
        now_s = self._wall()
        with Store.join(self._path) as store:
            told: Json
            if "taken_back" in given:
                told = report_body.take_back(store, jar, report_body.taken_back_of(given["taken_back"]), now_s)
            elif "corrected" in given:
                told = report_body.correct(store, jar, report_body.corrected_of(given["corrected"], jar), now_s)
            elif "not_so" in given:
                told = report_body.not_so(store, jar, report_body.not_so_of(given["not_so"]), now_s)
            elif "fed" in given:
                told = report_body.tell(store, report_body.fed_of(given["fed"], jar, now_s), now_s)
            elif "noted" in given:
                told = report_body.tell(store, report_body.noted_of(given["noted"], jar, now_s), now_s)
            else:
                told = report_body.tell(store, report_body.snoozed_of(given["snoozed"], jar, now_s), now_s)
        assert isinstance(told, dict)
        return told

    def _jar(self, name: str | None) -> JarSettings:
        if name is None and len(self._settings.jars) == 1:
            return self._settings.jars[0]
        try:
            return self._settings.jar(name or "")
        except KeyError:
            raise Refused(f"there is no jar {(name or '')[:60]!r} in the config") from None


def _command(payload: bytes, retained: bool) -> dict[str, Any]:
    if retained:
        raise Refused("a command must not be retained: it would be carried out again at every connection")
    if len(payload) > MOST_BYTES:
        raise Refused(f"at most {MOST_BYTES} bytes are accepted")
    try:
        given = json.loads(payload)
    except (ValueError, RecursionError):
        raise Refused("the command is not JSON") from None
    if (
        not isinstance(given, dict)
        or len([key for key in given if key in COMMANDS]) != 1
        or set(given) - {*COMMANDS, "id"}
    ):
        raise Refused(f"send a JSON object with one of {', '.join(COMMANDS)}, and an id if you like")
    if not isinstance(given.get("id"), str | int | None) or len(str(given.get("id"))) > 80:
        raise Refused("id: must be a short text or number")
    return given
