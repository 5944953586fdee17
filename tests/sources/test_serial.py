"""The serial source on real pseudo-terminals: noise, half lines, unplugging, other names, floods, hanging drivers."""

import errno
import fcntl
import json
import os
import random
import socket
import subprocess
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial

from monitor.settings import SerialSettings
from monitor.sources import serial_port
from monitor.sources.rate_limit import READING_GAP_S, REFUSED_GAP_S, RateLimit
from monitor.sources.serial_port import SerialPort, open_port
from monitor.values import Delivery, Reading, Rejected
from tests.servers import program, wait_until

JARS = frozenset({"rye", "wheat"})


class Device:
    """The device's end of a pseudo-terminal whose other end hangs at a name in a folder, as under /dev/serial/by-id."""

    def __init__(self, name: Path) -> None:
        self.name = name
        self.end, self._line = os.openpty()
        tty.setraw(self._line)
        name.symlink_to(os.ttyname(self._line))

    def say(self, data: bytes) -> None:
        os.write(self.end, data)

    def unplug(self) -> None:
        self.name.unlink()
        os.close(self._line)
        os.close(self.end)


class Caught:
    """What came out of a source."""

    def __init__(self) -> None:
        self.items: list[Delivery | Rejected] = []

    def __call__(self, item: Delivery | Rejected) -> None:
        self.items.append(item)

    @property
    def distances(self) -> list[float | None]:
        return [item.reading.distance_mm for item in self.items if isinstance(item, Delivery)]

    @property
    def refused(self) -> dict[str, int]:
        counts: dict[str, int] = {}
        for item in self.items:
            if isinstance(item, Rejected):
                counts[item.reason] = counts.get(item.reason, 0) + item.count
        return counts


START_S = 1_800_000_000.0
Begin = Callable[..., tuple[SerialPort, Caught]]


@pytest.fixture
def begin() -> Iterator[Begin]:
    started: list[SerialPort] = []

    def start(port: Path | str, **options: object) -> tuple[SerialPort, Caught]:
        settings = SerialSettings(port=str(port), bare_lines=bool(options.pop("bare_lines", False)))
        source, caught = SerialPort(settings, jars=JARS, **options), Caught()  # type: ignore[arg-type]
        source.start(caught)
        started.append(source)
        return source, caught

    yield start
    for source in started:
        source.stop()


def linked(folder: Path, begin: Begin, **options: object) -> tuple[Device, SerialPort, Caught]:
    """A device and a source that has opened its port."""
    device = Device(folder / "port")
    source, caught = begin(device.name, **options)
    wait_until(lambda: connected(source), "connected")
    return device, source, caught


def reading(n: int, jar: str = "rye") -> bytes:
    """A line; its own times are a minute apart, so that all pass the rate."""
    line = {"jar": jar, "distance_mm": 100 + n, "time": time.time() - 86_400 + 60 * n, "seq": n, "boot": "b"}
    return json.dumps(line).encode() + b"\r\n"


def connected(source: SerialPort) -> bool:
    return source.health().connected


# --- what comes down the line -----------------------------------------------------------------------------------------


@pytest.mark.fault("S2")
def test_lines_byte_by_byte(tmp_path: Path, begin: Begin) -> None:
    device, _, caught = linked(tmp_path, begin)
    for byte in reading(1) + reading(2) + reading(3):
        device.say(bytes([byte]))
    wait_until(lambda: len(caught.items) == 3, "three readings")
    assert caught.distances == [101, 102, 103]
    first = caught.items[0]
    assert isinstance(first, Delivery)
    assert (first.boot, first.seq, first.timed, first.token) == ("b", 1, True, None)


@pytest.mark.fault("S1")
@pytest.mark.fault("S8")
def test_garbage_is_counted_and_the_next_line_read(tmp_path: Path, begin: Begin) -> None:
    device, _, caught = linked(tmp_path, begin)
    chance = random.Random(4)
    for n in range(5):
        device.say(b"\nets Jun  8 2016 00:22:57\r\n" + chance.randbytes(700) + b"\n" + reading(n))
    wait_until(lambda: len(caught.distances) == 5, "five readings")
    assert caught.distances == [100, 101, 102, 103, 104]
    wait_until(lambda: caught.refused.get("not_an_object", 0) >= 5, "refused lines counted")


@pytest.mark.fault("S1")
def test_only_noise_is_said_plainly(tmp_path: Path, begin: Begin) -> None:
    device, source, caught = linked(tmp_path, begin)
    began_s = time.monotonic()
    for _ in range(100):
        device.say(b"\xf8\x80\x78\x0a")
    words = "only unreadable lines: does the device really send at 115200 baud?"
    wait_until(lambda: source.health().trouble == words, "trouble")
    wait_until(lambda: sum(caught.refused.values()) == 99, "all counted but the first line, which may be half a line")
    assert len(caught.items) <= 4 + (time.monotonic() - began_s) / REFUSED_GAP_S
    device.say(reading(1))
    wait_until(lambda: source.health().trouble is None, "well again")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (
            reading(1, jar="barley"),
            "every line is for a jar that is not in the config (barley): name a [[jar]] like that",
        ),
        (b'{"distance_mm": 100}\n', "no line names its jar: set jar = ... in [[serial]]"),
    ],
    ids=["another jar's", "nobody's"],  # a line holds the time, which differs from one test process to the next
)
def test_lines_for_no_jar_of_ours_are_no_noise(tmp_path: Path, begin: Begin, line: bytes, says: str) -> None:
    device, source, _ = linked(tmp_path, begin)
    for _ in range(30):
        device.say(line)
    wait_until(lambda: source.health().trouble == says, "trouble")


@pytest.mark.fault("S12")
def test_the_first_line_may_be_half_a_line(tmp_path: Path, begin: Begin) -> None:
    device, _, caught = linked(tmp_path, begin, jar="rye", bare_lines=True)
    device.say(b"2.4,24.1\n92.5,24.2\n")  # the first was 92.4 perhaps
    wait_until(lambda: caught.items, "a reading")
    assert caught.distances == [92.5]


@pytest.mark.fault("S12")
def test_a_whole_first_line_counts(tmp_path: Path, begin: Begin) -> None:
    """A device that starts when the port is opened says one whole line, and maybe no other for a minute."""
    device, _, caught = linked(tmp_path, begin)
    device.say(reading(7))
    wait_until(lambda: caught.items, "a reading")
    assert caught.distances == [107]


@pytest.mark.fault("S3")
def test_an_endless_line_is_dropped(tmp_path: Path, begin: Begin) -> None:
    device, _, caught = linked(tmp_path, begin)
    device.say(b"\n")
    for _ in range(300):
        device.say(b"x" * 1000)
    device.say(b"\n" + reading(1))
    wait_until(lambda: caught.distances == [101], "the reading after it")
    assert caught.refused == {"line_too_long": 1}


def test_the_time_of_receipt_is_the_daemons_clock(tmp_path: Path, begin: Begin) -> None:
    device, source, caught = linked(tmp_path, begin, wall=lambda: START_S, monotonic=lambda: 7.0)
    device.say(b'{"jar":"rye","distance_mm":90}\n')
    wait_until(lambda: caught.items, "a reading")
    item = caught.items[0]
    assert isinstance(item, Delivery)
    assert (item.received_s, item.reading.time_s, item.timed) == (START_S, START_S, False)
    assert source.health().last_message_s == START_S


# --- the port comes and goes ------------------------------------------------------------------------------------------


@pytest.mark.fault("S4")
@pytest.mark.fault("S5")
def test_unplugged_and_back_under_another_name(tmp_path: Path, begin: Begin) -> None:
    first = Device(tmp_path / "usb-sensor-if00-port0")
    source, caught = begin(tmp_path / "usb-*")
    wait_until(lambda: connected(source), "connected")
    first.say(reading(1) + b'{"jar":"rye","dist')
    wait_until(lambda: len(caught.items) == 1, "a reading")
    first.unplug()
    wait_until(lambda: not connected(source), "noticed")
    second = Device(tmp_path / "usb-sensor-if01-port0")
    wait_until(lambda: connected(source), "found again")
    second.say(b'ance_mm":1}\n' + reading(2))  # the old half line must not be joined to this
    wait_until(lambda: len(caught.items) == 2, "a reading")
    assert caught.distances == [101, 102]
    assert source.health().trouble is None


@pytest.mark.fault("S4")
def test_the_other_end_of_a_real_cable_dies(tmp_path: Path, begin: Begin) -> None:
    """The same with socat, whose end disappears as a USB device does."""
    ends = [tmp_path / "device", tmp_path / "port"]

    def plug() -> "subprocess.Popen[bytes]":
        joined = subprocess.Popen([program("socat"), *(f"pty,raw,echo=0,link={end}" for end in ends)])
        wait_until(lambda: all(end.exists() for end in ends), "socat's two ends")
        return joined

    cable = plug()
    source, caught = begin(ends[1])
    wait_until(lambda: connected(source), "connected")
    for n in range(2):
        with ends[0].open("wb", buffering=0) as device:
            device.write(b"\n" + reading(n))
            wait_until(lambda n=n: len(caught.distances) == n + 1, "a reading")
        cable.kill()
        cable.wait()
        wait_until(lambda: not connected(source), "noticed")
        for end in ends:
            end.unlink(missing_ok=True)
        cable = plug()
        wait_until(lambda: connected(source), "back")
    cable.kill()
    cable.wait()
    assert caught.distances == [100, 101]


@pytest.mark.fault("S6")
def test_a_missing_port_is_said_and_waited_for(tmp_path: Path, begin: Begin) -> None:
    source, _ = begin(tmp_path / "port")
    words = f"there is no {tmp_path}/port: is the device plugged in?"
    wait_until(lambda: source.health().trouble == words, "trouble")
    other, _ = begin(tmp_path / "usb-*")
    words = f"no serial port matches {tmp_path}/usb-*: is the device plugged in?"
    wait_until(lambda: other.health().trouble == words, "trouble")
    device = Device(tmp_path / "port")
    wait_until(lambda: connected(source), "connected")
    assert source.health().trouble is None
    device.unplug()


@pytest.mark.fault("S6")
def test_no_permission_names_the_group(begin: Begin) -> None:
    def refuse(path: str, baud: int) -> serial.Serial:
        raise serial.SerialException(errno.EACCES, f"could not open port {path}: [Errno 13] Permission denied")

    source, _ = begin("/dev/ttyUSB0", opener=refuse)
    words = "no permission for /dev/ttyUSB0: add the user of this program to the group dialout and log in again"
    wait_until(lambda: source.health().trouble == words, "trouble")


@pytest.mark.fault("S6")
@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become a user without permission")
def test_no_permission_of_a_real_port(tmp_path: Path) -> None:
    device = Device(tmp_path / "port")
    os.chmod(os.path.realpath(device.name), 0)
    os.seteuid(65534)
    try:
        with pytest.raises(serial.SerialException) as caught:
            open_port(os.path.realpath(device.name), 9600)
    finally:
        os.seteuid(0)
    assert caught.value.errno == errno.EACCES


@pytest.mark.fault("S7")
def test_a_port_that_another_program_holds(tmp_path: Path, begin: Begin) -> None:
    device = Device(tmp_path / "port")
    other = os.open(device.name, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(other, fcntl.LOCK_EX)
    source, _ = begin(device.name)
    words = f"{device.name} is used by another program: stop that first"
    wait_until(lambda: source.health().trouble == words, "trouble")
    os.close(other)
    wait_until(lambda: connected(source), "connected")


def test_two_sources_with_one_pattern_share_out_the_ports(tmp_path: Path, begin: Begin) -> None:
    devices = [Device(tmp_path / "usb-a"), Device(tmp_path / "usb-b")]
    pairs = [begin(tmp_path / "usb-*", jar="rye"), begin(tmp_path / "usb-*", jar="rye")]
    wait_until(lambda: all(connected(source) for source, _ in pairs), "both connected")
    for n, device in enumerate(devices):
        device.say(reading(n))
    wait_until(lambda: sorted(d for _, caught in pairs for d in caught.distances) == [100, 101], "both read")


@pytest.mark.fault("S14")
def test_of_several_ports_the_first_is_taken_and_none_in_its_place(tmp_path: Path, begin: Begin) -> None:
    """The second is another device, perhaps another jar's: its readings must not become this jar's."""
    first, second = Device(tmp_path / "usb-a"), Device(tmp_path / "usb-b")
    source, caught = begin(tmp_path / "usb-*", jar="rye")
    wait_until(lambda: connected(source), "connected")
    first.say(reading(0))
    wait_until(lambda: caught.distances == [100], "the first by name is read")
    first.unplug()
    wait_until(lambda: "usb-a is gone, and no new port matches" in (source.health().trouble or ""), "missed")
    second.say(reading(7))
    again = Device(tmp_path / "usb-c")  # under a new name
    wait_until(lambda: connected(source), "found again")
    again.say(reading(1))
    wait_until(lambda: caught.distances == [100, 101], "read again")


def test_a_url_takes_the_same_path(begin: Begin) -> None:
    """A serial line over the network: pyserial's socket://, which raises when the peer goes."""
    server = socket.create_server(("127.0.0.1", 0))
    source, caught = begin(f"socket://127.0.0.1:{server.getsockname()[1]}")
    for n in range(2):
        peer, _ = server.accept()
        wait_until(lambda: connected(source), "connected")  # what was there before is flushed, as on a real port
        peer.sendall(reading(n))
        wait_until(lambda n=n: len(caught.items) == n + 1, "a reading")
        peer.close()
        wait_until(lambda: not connected(source), "noticed")
    assert caught.distances == [100, 101]
    source.stop()
    server.close()


# --- floods, hanging drivers, errors of our own -----------------------------------------------------------------------


@pytest.mark.fault("S9")
def test_of_a_flood_the_newest_is_kept(tmp_path: Path, begin: Begin) -> None:
    device, _, caught = linked(tmp_path, begin)
    began_s = time.monotonic()
    for n in range(3000):
        device.say(b'{"jar":"rye","distance_mm":%d}\n' % n)
    wait_until(lambda: caught.distances[-1:] == [2999], "the newest one")
    took_s = time.monotonic() - began_s
    kept = len(caught.distances)
    assert kept <= 2 + took_s / READING_GAP_S
    assert sum(one.count for one in caught.items if isinstance(one, Rejected)) + kept == 3000


def arrived(received_s: float, time_s: float, distance_mm: float | None = 90.0, jar: str = "rye") -> Delivery:
    given = Reading(time_s=time_s, jar=jar, distance_mm=distance_mm, temperature_c=20.0)
    return Delivery(source="s", received_s=received_s, reading=given)


def test_the_pace_goes_by_the_time_of_measuring() -> None:
    rate = RateLimit()
    played = [arrived(0.001 * n, 10.0 * n) for n in range(100)]  # a recording, played 10,000 times faster
    assert [item for one in played for item in rate.offer(one)] == played
    assert rate.dropped == 0


def test_the_pace_keeps_jars_and_temperatures_apart() -> None:
    rate = RateLimit()
    both = [arrived(0, 0), arrived(0, 0, distance_mm=None), arrived(0, 0, jar="wheat")]
    assert [item for one in both for item in rate.offer(one)] == both


@pytest.mark.fault("S9")
@pytest.mark.fault("T3")
def test_what_waits_goes_out_in_time_and_only_the_newest() -> None:
    rate = RateLimit()
    assert rate.offer(arrived(0.0, 0.0)) == [arrived(0.0, 0.0)]
    assert rate.offer(arrived(0.1, 0.1)) == []
    assert rate.offer(arrived(0.2, 0.2)) == []
    assert rate.due(0.3) == []
    gone, kept = rate.due(0.5)
    assert kept == arrived(0.2, 0.2)
    assert isinstance(gone, Rejected)
    assert (gone.reason, gone.jar, gone.count) == ("too_often", "rye", 1)
    assert rate.due(9.9) == []
    assert rate.dropped == 1
    assert rate.offer(arrived(-3600.0, -3600.0)) == [arrived(-3600.0, -3600.0)]  # the clock was set back


@pytest.mark.fault("S1")
def test_refused_lines_are_put_together_with_their_count() -> None:
    rate = RateLimit()
    lines = [Rejected(source="s", received_s=0.01 * n, reason="not_json") for n in range(50)]
    assert [item.count for one in lines for item in rate.offer(one) if isinstance(item, Rejected)] == [1]
    assert [item.count for item in rate.due(REFUSED_GAP_S) if isinstance(item, Rejected)] == [49]


class Hanging:
    """A port whose driver never comes back."""

    def __init__(self, *, in_read: bool) -> None:
        self._in_read, self._never = in_read, threading.Event()

    @property
    def in_waiting(self) -> int:
        return 0

    def read(self, size: int = 1, /) -> bytes:
        if self._in_read:
            self._never.wait(60)
        return b""

    def close(self) -> None:
        self._never.wait(60)


@pytest.mark.fault("S11")
@pytest.mark.parametrize("in_read", [True, False])
def test_a_hanging_driver_does_not_hold_up_the_end(in_read: bool) -> None:
    source = SerialPort(SerialSettings(port="/dev/x"), jars=JARS, opener=lambda path, baud: Hanging(in_read=in_read))
    source.start(Caught())
    wait_until(lambda: connected(source), "connected")
    began_s = time.monotonic()
    source.stop()
    assert time.monotonic() - began_s < serial_port.STOP_S + 10.0  # a busy machine's; the driver would hang for 60 s
    assert serial_port.STOP_S < 5.0


@pytest.mark.fault("S13")
def test_an_error_of_our_own_does_not_end_the_thread(tmp_path: Path) -> None:
    device, got, calls = Device(tmp_path / "port"), [], []

    def put(item: Delivery | Rejected) -> None:
        calls.append(item)
        if len(calls) == 1:
            raise RuntimeError("boom")
        got.append(item)

    source = SerialPort(SerialSettings(port=str(device.name)), jars=JARS)
    source.start(put)
    wait_until(lambda: connected(source), "connected")
    device.say(reading(1))
    wait_until(lambda: "boom" in (source.health().trouble or ""), "trouble shown")
    wait_until(lambda: connected(source), "open again")
    device.say(reading(2))
    wait_until(lambda: got, "the next reading")
    source.stop()
    assert source.health().trouble is None
