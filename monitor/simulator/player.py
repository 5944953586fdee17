"""Plays a simulated run as devices: to CSV files, into a pseudo-terminal that any serial reader can open, or to an MQTT
broker, in real time or sped up, many jars at once.

What happened in truth goes to a JSON file beside it. Nothing here knows the daemon: it is watched from outside.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from monitor.core.vessel.geometry import format_geometry
from monitor.runs import rfc3339, run_file, whole_file
from monitor.simulator.device import Sent, payload
from monitor.simulator.scenario import JarPlan, Scenario
from monitor.simulator.scene import play
from monitor.simulator.truth import JarTruth, TrueCycle
from monitor.values import Fed, Feeding, Json

CONNECT_S = 10.0
LONGEST_WAIT_S = 0.5  # between looks at the clock
FULL_WAIT_S = 0.01  # until a full buffer is tried again
WINDOW = 20  # unacknowledged messages on the way: what brokers take by default
FORMAT = 1  # of the truth file


class PlayerError(RuntimeError):
    """It cannot be played there; the text says what, where and what would be right."""


# --- to files --------------------------------------------------------------------------------------------------------


def write_runs(scenario: Scenario, out: Path, truths: dict[str, JarTruth], name: str) -> list[Path]:
    """Write one run file a jar: `out` itself for one jar, `out` with the jar's name before the suffix for many.

    `name` says in the header which scenario it was. Messages that are garbled as a whole are no rows of a run file and
    are left out. A `received` column is there when a device's clock or the way could make the time of arrival another
    than the time of measuring. What was simulated before is replaced, any other file is refused (PlayerError).
    """
    paths = []
    for jar in scenario.jar:
        _spare(run_path(out, scenario, jar))
    for jar in scenario.jar:  # jars share nothing but the kitchen, which is the same each time: one at a time
        path = run_path(out, scenario, jar)
        alone = replace(scenario, jar=(jar,))
        rows = ((sent.at_s, sent.reading) for sent in play(alone, truths) if sent.raw is None)
        try:
            with whole_file.writing(path) as file:
                run_file.write(file, rows, header=header(scenario, jar, name), columns=_columns(jar))
        except OSError as error:
            raise PlayerError(f"{path}: {error.strerror}") from None
        paths.append(path)
    return paths


def _spare(path: Path) -> None:
    """A recorded night must not be lost to a simulated one."""
    if not path.is_file() or path.stat().st_size == 0:
        return
    with suppress(run_file.RunFileError):
        if "simulated" in run_file.read(path).header:
            return
    raise PlayerError(f"{path}: exists already and is not a simulated run; give a new name")


def run_path(out: Path, scenario: Scenario, jar: JarPlan) -> Path:
    """The run file of one jar of a scenario."""
    return out if len(scenario.jar) == 1 else out.with_name(f"{out.stem}.{jar.name}{out.suffix}")


def header(scenario: Scenario, jar: JarPlan, name: str) -> dict[str, str]:
    """The run file's `# key: value` lines."""
    return {
        "shows": scenario.shows,
        "jar": jar.name,
        "empty_mm": f"{jar.empty_mm:g}",
        "geometry": format_geometry(jar.geometry),
        "scenario": name,
        "seed": str(scenario.seed),
        "sampling_s": f"{jar.sampling_s or scenario.sampling_s:g}",
        "sensor": jar.sensor.kind,
        "simulated": "yes; an invented scene",
    }


def _columns(jar: JarPlan) -> tuple[str, ...]:
    columns = list(run_file.USUAL)
    if jar.sensor.kind == "ultrasonic":
        columns.append("echo_us")
    columns += [name for name, there in (("air_c", jar.sensor.air), ("humidity_pct", jar.sensor.humidity)) if there]
    own_clock = jar.clock.kind == "absent" or jar.clock.wrong_s or jar.clock.drift_s_per_day
    if own_clock or any(fault.what in ("late", "doubled", "clock_jump") for fault in jar.fault):
        columns.append("received")
    return tuple(columns)


def feedings(truth: JarTruth) -> list[Fed]:
    """What a person who writes everything down would have told."""
    return [
        Fed(
            time_s=c.fed_at_s,
            jar=truth.jar,
            feeding=Feeding(starter_g=c.starter_g, flour_g=c.flour_g, water_g=c.water_g, flour=c.flour),
        )
        for c in truth.cycles
    ]


def truth_json(scenario: Scenario, truths: Mapping[str, JarTruth], shift_s: float = 0.0) -> dict[str, Json]:
    """The truth file: each jar's cycles, doings, faults and chemistry, times as text, shifted as it was played."""

    def stamped(row: Mapping[str, Any]) -> dict[str, Json]:
        out: dict[str, Json] = {}
        for name, value in row.items():
            is_time = name.endswith("at_s") or name in ("from_s", "to_s")
            if is_time:
                out[name.removesuffix("_s")] = None if value is None else rfc3339.text(round(value + shift_s, 3))
            else:
                out[name] = round(value, 3) if isinstance(value, float) else value
        return out

    return {
        "format": FORMAT,
        "shows": scenario.shows,
        "seed": scenario.seed,
        "jars": {
            name: {
                "cycles": [stamped(_public(cycle)) for cycle in truth.cycles],
                "doings": [stamped(row) for row in truth.doings],
                "faults": [stamped(row) for row in truth.faults],
                "chemistry": [stamped(row) for row in truth.chemistry],
            }
            for name, truth in truths.items()
        },
    }


def _public(cycle: TrueCycle) -> dict[str, Any]:
    return {f.name: getattr(cycle, f.name) for f in fields(cycle) if not f.name.startswith("_")}


def write_truth(path: Path, truth: dict[str, Json]) -> None:
    """Write the truth file. Raises PlayerError."""
    try:
        with whole_file.writing(path) as file:
            file.write(json.dumps(truth, indent=1) + "\n")
    except OSError as error:
        raise PlayerError(f"{path}: {error.strerror}") from None


# --- as devices ------------------------------------------------------------------------------------------------------


class Pace:
    """When each message is due, `speed` times as fast as it was measured. Owns its start, `began_s`; `stop` ends all
    waiting.

    `shift_s` is what must be added to the scenario's times so that the run's end falls on the real time at which it is
    played: at speed 1 the run begins now, and sped up no message ever bears a time that is still to come.
    """

    def __init__(
        self,
        scenario: Scenario,
        speed: float,
        wall: Callable[[], float] = time.time,
        stop: threading.Event | None = None,
    ) -> None:
        self._wall = wall
        self.speed = speed
        self._starts_s = scenario.starts_s
        self.began_s = wall()
        self.stop = stop or threading.Event()
        lasts_s = scenario.hours * 3600
        self.shift_s = self.began_s + lasts_s / speed - lasts_s - scenario.starts_s

    def due(self, sent: Sent) -> bool:
        """Wait until the message is due; False when it was stopped."""
        due_s = self.began_s + (sent.at_s - self._starts_s) / self.speed
        while (left_s := due_s - self._wall()) > 0:
            if self.stop.wait(min(left_s, LONGEST_WAIT_S)):
                return False
        return not self.stop.is_set()


@contextmanager
def terminal(link: Path | None) -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: the descriptor to write into, and the path that a serial reader opens.

    `link`, if given, is made a symbolic link to it, as udev would. Raises PlayerError.
    """
    import tty

    ours, theirs = os.openpty()
    tty.setraw(theirs)
    path = os.ttyname(theirs)
    try:
        if link is not None:
            if link.is_symlink():
                link.unlink()
            link.symlink_to(path)
        yield ours, str(link or path)
    except OSError as error:
        if link is None or (error.filename != str(link) and error.filename2 != str(link)):
            raise
        raise PlayerError(f"{link}: {error.strerror}; give a path that does not exist yet") from None
    finally:
        os.close(ours)
        os.close(theirs)
        if link is not None and link.is_symlink() and os.readlink(link) == path:
            link.unlink()


def to_terminal(messages: Iterable[Sent], descriptor: int, pace: Pace) -> int:
    """Write each message as a line when it is due; gives how many.

    Nobody needs to read: what the terminal's buffer does not take within half a second is lost, as on a real line.
    """
    os.set_blocking(descriptor, False)
    count = 0
    for sent in messages:
        if not pace.due(sent):
            break
        rest = payload(sent, pace.shift_s) + b"\n"
        give_up_s = time.monotonic() + LONGEST_WAIT_S
        while rest and time.monotonic() < give_up_s:
            try:
                rest = rest[os.write(descriptor, rest) :]
            except BlockingIOError:
                pace.stop.wait(FULL_WAIT_S)
        count += 1
    return count


def to_broker(messages: Iterable[Sent], host: str, port: int, topic: str, pace: Pace) -> int:
    """Publish each message with QoS 1 when it is due; gives how many. `topic` holds `{jar}`.

    Raises PlayerError when the broker is not there at the start; later it is waited for, as our firmware does.
    """
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_inflight_messages_set(WINDOW)
    room = threading.Semaphore(WINDOW)
    connected = threading.Event()
    client.on_connect = lambda *_: connected.set()
    client.on_publish = lambda *_: room.release()
    try:
        client.connect(host, port, keepalive=30)
    except OSError as error:
        raise PlayerError(f"no broker at {host}:{port}: {error.strerror or error}") from None
    client.loop_start()
    count = 0
    try:
        if not connected.wait(CONNECT_S):
            raise PlayerError(f"the broker at {host}:{port} does not answer")
        for sent in messages:
            if not pace.due(sent):
                break
            while not room.acquire(timeout=LONGEST_WAIT_S):
                if pace.stop.is_set():
                    return count
            client.publish(topic.replace("{jar}", sent.reading.jar), payload(sent, pace.shift_s), qos=1)
            count += 1
        for _ in range(WINDOW):  # all slots free again: everything was acknowledged
            room.acquire(timeout=CONNECT_S)
    finally:
        client.disconnect()
        client.loop_stop()
    return count
