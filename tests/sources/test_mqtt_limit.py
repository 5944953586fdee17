"""A message of any size costs the daemon a few kilobytes: cut while it is read, refused, acknowledged.

Packets by hand after OASIS MQTT 3.1.1, section 3.3, and MQTT 5.0, sections 1.5.5, 3.3 and 3.1.2.11.4.
"""

import json
import ssl
import subprocess
import sys
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.mqtt_packet_limit import PACKET_MAX, LimitedSocket, PacketLimit
from tests.servers import Mosquitto, mosquitto, wait_until
from tests.sources.topics import TOPIC, Begin, Device, distances, joined, reading

HUGE = 60_000_000
PEAK_KB = 100_000


def length_of(number: int) -> bytes:
    encoded = bytearray()
    while True:
        number, digit = divmod(number, 128)
        encoded.append(digit | (128 if number else 0))
        if not number:
            return bytes(encoded)


def publish(payload: bytes, *, mid: int | None = 7, topic: bytes = b"jartide/rye/reading", five: bool = False) -> bytes:
    number = b"" if mid is None else mid.to_bytes(2, "big")
    body = len(topic).to_bytes(2, "big") + topic + number + (b"\x00" if five else b"") + payload
    return bytes([0x30 if mid is None else 0x32]) + length_of(len(body)) + body


SMALL = [publish(b'{"distance_mm": 92.4}'), publish(b"x", mid=None), b"\xd0\x00", publish(b"y" * 4000)]


@given(st.lists(st.sampled_from([*SMALL, publish(b"z" * 20_000, mid=9)]), max_size=8), st.integers(1, 9000))
def test_however_the_bytes_come_the_same_goes_on(packets: list[bytes], step: int) -> None:
    stream = b"".join(packets)
    limit = PacketLimit(five=False)
    out = b"".join(limit.feed(stream[at : at + step]) for at in range(0, len(stream), step))
    assert out == b"".join(p if len(p) <= PACKET_MAX else PacketLimit(five=False).feed(p) for p in packets)
    assert out == stream or len(out) < len(stream)


@pytest.mark.parametrize("five", [False, True])
@pytest.mark.parametrize("mid", [None, 7])
def test_a_long_message_keeps_its_topic_and_packet_number(five: bool, mid: int | None) -> None:
    out = PacketLimit(five=five).feed(publish(b"ab" * 10_000, mid=mid, five=five))
    head = publish(b"ab", mid=mid, five=five)[2:]
    assert out[0] == (0x30 if mid is None else 0x32)
    assert out[3 : 3 + len(head)] == head[:-2] + (b"\x00a" if five else b"ab")  # what a 5 has of properties is shown
    assert 4096 < len(out) < 5000


@pytest.mark.parametrize(
    "stream", [b"\x90" + length_of(60_000_000), b"\x30\xff\xff\xff\xff\x01", b"\x32" + length_of(9000) + b"\xff" * 9000]
)
def test_what_no_broker_may_send_ends_the_connection(stream: bytes) -> None:
    with pytest.raises(ConnectionError):
        PacketLimit(five=False).feed(stream)


class Line:
    """A socket that takes so many bytes a call, or says what it is given to say."""

    def __init__(self, *takes: int | OSError) -> None:
        self.takes, self.closed = list(takes), False
        self.calls: list[bytes] = []

    def send(self, data: bytes) -> int:
        takes = self.takes.pop(0) if self.takes else len(data)
        if isinstance(takes, OSError):
            raise takes
        self.calls.append(data[:takes])
        return len(data[:takes])

    def recv(self, size: int) -> bytes:
        return b""

    def close(self) -> None:
        self.closed = True


def acknowledged(sock: LimitedSocket) -> None:
    with sock.gathering():
        for packet in (b"one ", b"two ", b"three"):
            assert sock.send(packet) == len(packet)


def test_what_is_sent_together_is_written_at_once() -> None:
    line = Line()
    sock = LimitedSocket(line, PacketLimit(five=True))
    acknowledged(sock)
    sock.send(b"alone")
    assert line.calls == [b"one two three", b"alone"]
    assert sock.unwritten() == 0


@pytest.mark.parametrize("full", [BlockingIOError(), ssl.SSLWantWriteError()])
def test_a_line_that_takes_less_gets_the_rest_later_and_in_order(full: OSError) -> None:
    line = Line(5, full, full, 100)
    sock = LimitedSocket(line, PacketLimit(five=True))
    acknowledged(sock)
    assert sock.unwritten() == len(b"one two three") - 5
    sock.write_gathered()  # full
    with pytest.raises(BlockingIOError):
        sock.send(b"alone")  # not before what was sent first
    sock.send(b"alone")
    assert b"".join(line.calls) == b"one two threealone"


def test_a_line_that_breaks_is_said_where_it_is_read() -> None:
    sock = LimitedSocket(Line(ConnectionResetError("gone")), PacketLimit(five=True))
    acknowledged(sock)
    assert (sock.unwritten(), sock.pending()) == (0, 1)
    with pytest.raises(ConnectionResetError, match="gone"):
        sock.recv(10)


def test_a_last_word_is_written_before_the_line_is_closed() -> None:
    line = Line()
    sock = LimitedSocket(line, PacketLimit(five=True))
    with sock.gathering():
        sock.send(b"leaving")
        sock.close()
    assert (line.calls, line.closed) == ([b"leaving"], True)


def test_paho_still_reads_through_the_limit(broker, begin: Begin) -> None:  # type: ignore[no-untyped-def]
    source, _ = joined(begin, broker.port)
    client = source._in_flight.client
    assert isinstance(client, mqtt.Client)
    assert isinstance(client.socket(), LimitedSocket)


def test_a_broker_that_sends_all_is_refused_by_size(broker, begin: Begin) -> None:  # type: ignore[no-untyped-def]
    """With 3.1.1 a client cannot say what it takes: it is counted here, and acknowledged."""
    _, caught = joined(begin, broker.port, protocol="3.1.1")
    device = Device(broker.port)
    device.say(*[b"x" * 1_000_000] * 30, reading(1))
    wait_until(lambda: caught.readings, "the good one")
    assert caught.reasons == ["too_long"] * 30
    assert caught.distances == distances(1)
    device.leave()


CHILD = """
import json, re, sys, threading
from monitor.settings import MqttSettings
from monitor.sources.mqtt_source import MqttSource
from monitor.values import Delivery
came, done = [], threading.Event()
def put(item, *, wait_s):
    came.append(item.reading.distance_mm if isinstance(item, Delivery) else item.reason)
    source.acknowledge([item.token])
    if came[-1] == 105.0:
        done.set()
settings = MqttSettings(host="127.0.0.1", port=int(sys.argv[1]), protocol=sys.argv[2])
source = MqttSource(settings, "limited", jars=frozenset({"rye"}))
source.start(put)
print("ready", flush=True)
assert done.wait(100)
source.stop()
peak = re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())  # getrusage counts our parent in
print(json.dumps({"came": came, "peak_kb": int(peak[1])}))
"""


@pytest.mark.fault("M19")
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_sixty_megabytes_cost_a_few(tmp_path: Path, protocol: str) -> None:
    """A real broker that lets them through; the readings around them are taken in, and nothing comes again."""
    with mosquitto(tmp_path / "broker") as broker:
        first = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(broker.port), protocol], stdout=subprocess.PIPE, text=True
        )
        assert first.stdout is not None
        assert first.stdout.readline() == "ready\n"
        wait_until(lambda: "limited" in broker.log() and "SUBACK to limited" in broker.log(), "subscribed")
        device = Device(broker.port)
        device.say(reading(1), b"x" * HUGE, topic=TOPIC)
        device.say(*(reading(n) for n in range(2, 6)))
        out = json.loads(first.communicate(timeout=100)[0])
        device.leave()
    assert [one for one in out["came"] if one != "too_long"] == distances(1, 2, 3, 4, 5)
    assert out["came"].count("too_long") == (1 if protocol == "3.1.1" else 0)  # a broker that knows drops this one
    assert out["peak_kb"] < PEAK_KB, out["peak_kb"]


@pytest.mark.fault("M19")
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_waited_in_the_broker_and_is_too_long_holds_up_nothing(
    broker: Mosquitto, begin: Begin, protocol: str
) -> None:
    source, _ = joined(begin, broker.port, protocol=protocol)
    source.stop()
    device = Device(broker.port)
    device.say(reading(1), b"x" * 1_000_000, reading(2), b"x" * 20_000, reading(3))
    _, caught = begin(broker.port, protocol=protocol)
    wait_until(lambda: len(caught.readings) == 3, "the good ones")
    assert caught.distances == distances(1, 2, 3)
    assert caught.reasons == ["too_long"] * 2
    device.leave()
