"""What a person sees of each trouble: in `jartide status` and on the page one plain sentence, in the guide what to do,
and, where it endangers the night, one notice. Each says what is wrong, since when, and what to do."""

from __future__ import annotations

import errno
import re
import socket
import ssl
import time
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor import guide
from monitor.core.display.refusals import Refusal
from monitor.core.display.units import Display, sensor_troubles
from monitor.daemon import assembly, store_alarm
from monitor.daemon.store_alarm import StoreAlarm
from monitor.host import heartbeat
from monitor.host.lock import StoreLock
from monitor.page import health
from monitor.page.server import PageServer
from monitor.runs import daemon_status, outbox
from monitor.runs.outbox import StoredNotice
from monitor.runs.store import Store
from monitor.settings import InfluxSettings, MqttSettings, NoticeSettings, PageSettings, SerialSettings, StoreSettings
from monitor.sinks.bake_notices import BakeNotices
from monitor.sinks.channel_queue import ChannelQueue, Failure
from monitor.sinks.mirror import Mirror
from monitor.sinks.mqtt_state import MqttState
from monitor.sinks.notices import NoticeSink
from monitor.sinks.thinner import Thinner
from monitor.sources import mqtt_link, mqtt_publisher, mqtt_source, serial_port
from monitor.sources.ingest import Ingest, SourceStatus
from monitor.sources.serial_port import NOISE_LINES, SerialPort
from monitor.values import Notice, Rejected, SourceHealth
from tests import crashing
from tests.kitchen import SETTINGS, Kitchen
from tests.page_house import nothing_known
from tests.servers import free_port, wait_until
from tests.terminal import jartide

pytestmark = pytest.mark.dates

TROUBLES = guide.page("troubles").text  # type: ignore[union-attr]
NOW_S = 1_772_474_400.0
HOUR_S = 3600.0
MQTT = MqttSettings(host="broker.lan", user="jar")
PORT = SerialPort(SerialSettings(port="/dev/ttyUSB0"), jars=frozenset({"rye"}))


def os_error(number: int) -> OSError:
    return OSError(number, errno.errorcode[number])


def refused(reason: str) -> str | None:
    return PORT._complaint(NOISE_LINES, Rejected(source="x", received_s=0.0, reason=reason, detail="'barley'"))


def wrong_clock() -> str | None:
    ingest = Ingest("x", jars=frozenset({"rye"}), jar="rye", wall=lambda: NOW_S)
    ingest.take(b'{"distance_mm": 90, "time": "2031-01-01T00:00:00Z"}')
    return ingest.clock_trouble


def lost_port(how: Callable[[str, int], serial_port.Port], pattern: str = "/dev/ttyUSB0") -> str | None:
    port = SerialPort(SerialSettings(port=pattern), jars=frozenset({"rye"}), opener=how)
    port.start(lambda _: None)
    try:
        wait_until(lambda: port.health().trouble != "not started", "a word about the port")
        return port.health().trouble
    finally:
        port._stopping.set()


class Gone:
    """A port whose device is pulled while it is read."""

    in_waiting = 0

    def read(self, size: int = 1, /) -> bytes:
        raise os_error(errno.EIO)

    def close(self) -> None: ...


def broken(path: str, baud: int) -> serial_port.Port:
    raise RuntimeError("odd")


def untrusted() -> ssl.SSLCertVerificationError:
    error = ssl.SSLCertVerificationError()
    error.verify_message = "certificate has expired"
    return error


SOURCES: dict[str, Callable[[], str | None]] = {
    "no permission": lambda: serial_port._why_not("/dev/ttyUSB0", 9600, os_error(errno.EACCES)),
    "not there": lambda: serial_port._why_not("/dev/ttyUSB0", 9600, os_error(errno.ENOENT)),
    "held by another": lambda: serial_port._why_not("/dev/ttyUSB0", 9600, os_error(errno.EBUSY)),
    "odd baud": lambda: serial_port._why_not("/dev/ttyUSB0", 7, ValueError("Invalid baud rate: 7")),
    "odd port": lambda: serial_port._why_not("/dev/ttyUSB0", 9600, os_error(errno.EIO)),
    "nothing fits": lambda: lost_port(broken, "/dev/there-is-none-*"),
    "pulled": lambda: lost_port(lambda _path, _baud: Gone()),
    "our own error": lambda: lost_port(broken),
    "jar not configured": lambda: refused(Refusal.UNKNOWN_JAR),
    "no jar named": lambda: refused(Refusal.NO_JAR),
    "wrong baud": lambda: refused(Refusal.NOT_UTF8),
    "wrong clock": wrong_clock,
    "no broker": lambda: mqtt_link.failure_words(MQTT, ConnectionRefusedError()),
    "no name": lambda: mqtt_link.failure_words(MQTT, socket.gaierror()),
    "no answer": lambda: mqtt_link.failure_words(MQTT, TimeoutError()),
    "no network": lambda: mqtt_link.failure_words(MQTT, os_error(errno.ENETUNREACH)),
    "no TLS": lambda: mqtt_link.failure_words(MQTT, ssl.SSLError()),
    "certificate": lambda: mqtt_link.failure_words(MQTT, untrusted()),
    "certificate file": lambda: mqtt_link.failure_words(MQTT, FileNotFoundError()),
    "login": lambda: mqtt_link.refusal_words(MQTT, mqtt_link.BAD_LOGIN, "Bad user name or password"),
    "old broker": lambda: mqtt_link.refusal_words(MQTT, mqtt_link.BAD_PROTOCOL, "Unsupported protocol version"),
    "other refusal": lambda: mqtt_link.refusal_words(MQTT, 136, "Server unavailable"),
    "closed": lambda: mqtt_source.CLOSED,
}
"""Every trouble that a source can have; those of a running connection (taken over, thrown out, ended, not let read) are
taken from the program's text below, and produced with a real broker in test_mqtt_access.py."""
SAID = re.compile(r"""(?:self\._ended(?:, self\._slow)?|words|self\._refused\[topic\]) = \(?f?(["'])(.*?)\1""")


def in_the_text() -> list[str]:
    modules = (mqtt_source, mqtt_publisher)
    found = [match[2] for one in modules for match in SAID.finditer(Path(one.__file__).read_text())]
    assert sum(text.startswith("the broker does not let us") for text in found) == 2
    assert len(found) >= 8
    return [re.sub(r"\{[^{}]*\}", "X", text) for text in found]


def fragments() -> list[re.Pattern[str]]:
    """The guide's table of what one sees, as patterns: what stands in backticks, "..." for anything."""
    table = TROUBLES
    rows = [line.split(" | ") for line in table.splitlines() if line.startswith("| ")][1:]
    assert all(len(row) == 2 and row[1].strip(" |") for row in rows)
    quoted = [text for row in rows for text in re.findall(r"`([^`]+)`", row[0])]
    return [re.compile(".*?".join(map(re.escape, re.split(r"\s*\.\.\.\s*", text)))) for text in quoted]


def is_in_guide(sentence: str) -> bool:
    return any(pattern.search(sentence) for pattern in fragments())


def says_what_to_do(sentence: str) -> bool:
    """After what is wrong: a question to go and look at, a thing to do, or that it is done by itself and where to see
    more."""
    wrong, _, to_do = sentence.partition(": ")
    doing = r"\?$|\b(correct|see|set|give|name|check|stop|unplug|add|replace|log says|is stopping)\b"
    return bool(wrong and re.search(doing, to_do)) and len(sentence.splitlines()) == 1


def known(folder: Path, sources: Iterable[SourceHealth], troubles: Iterable[str] = ()) -> tuple[str, dict[str, object]]:
    """What `status` prints and what the page's API has, with a daemon that holds the store."""
    (folder / "jartide.toml").write_text('[[jar]]\nname = "rye"\n\n[store]\npath = "s.db"\n')
    with StoreLock(folder / "s.db"), Store.open(folder / "s.db") as store:
        daemon_status.write(store, time.time(), [], list(sources), list(troubles))
        done = jartide("status", "--config", folder / "jartide.toml")
        page = health.health(store, time.time(), Display(), True)
    assert done.exit_code == 0, done.output
    return " ".join(done.output.split()), page  # type: ignore[return-value]


@pytest.mark.fault("S6")
@pytest.mark.parametrize("kind", [*SOURCES, *in_the_text()])
def test_a_sources_trouble_is_a_sentence_everywhere(tmp_path: Path, kind: str) -> None:
    sentence = SOURCES[kind]() if kind in SOURCES else kind
    assert sentence is not None
    assert says_what_to_do(sentence), sentence
    assert is_in_guide(sentence), sentence
    since_s = time.time() - HOUR_S
    source = SourceHealth(name="x", connected=False, trouble=sentence, since_s=since_s, last_message_s=since_s)
    printed, page = known(tmp_path, [source])
    clock = time.strftime("%H:%M", time.localtime(since_s))
    assert f"source x: {sentence} since {clock}" in printed
    (shown,) = page["sources"]  # type: ignore[misc]
    assert shown["words"] == sentence
    assert shown["since_s"] == since_s
    assert shown["since_words"]


class Deaf:
    key = shown = "mail.example"

    def send(self, together: object) -> Failure | None:
        return Failure(reason="connection refused", wait_s=HOUR_S)


def sinks(folder: Path) -> list[tuple[daemon_status.HasTrouble, str]]:
    """Every sink, each in a trouble of its own, with the sentence."""
    notices = NoticeSink(folder / "s.db", [Deaf()])
    queue = notices._lanes[0].queue
    queue._refused, queue._reason, queue._failures = True, "refused", 1
    mirror = Mirror(InfluxSettings(url="http://x:8086", bucket="b"), folder / "s.db")
    mirror._trouble = "[influx] http://x:8086: no answer (refused)"
    thinner = Thinner(folder / "s.db", 30.0)
    thinner._trouble = "old readings could not be thinned: s.db: the disk is full"
    page = PageServer(replace(SETTINGS, page=PageSettings()))
    page._trouble = "the page is not served: port 8140 of 127.0.0.1: Address already in use; set another port in [page]"
    state = MqttState(folder / "s.db", Nobody(), MqttSettings(host="h", notice_topic="jartide/{jar}/notice"))
    assert state._queue is not None
    state._queue._refused, state._queue._reason, state._queue._failures = True, "the broker did not confirm", 1
    said = daemon_status.LastingTrouble(
        "the store was damaged (x): it was moved to y, and a new one started", "`jartide recover` reads it."
    )
    bakes = BakeNotices(SETTINGS, lambda: 0.0, Display())
    bakes._trouble = "planned bakes cannot be checked: s.db: the disk is full"
    parts: tuple[daemon_status.HasTrouble, ...] = (notices, mirror, thinner, page, state, said, Stands(), bakes)
    return [(part, str(part.trouble())) for part in parts]


class Stands(heartbeat.HungThreads):
    def trouble(self) -> str | None:
        with pytest.MonkeyPatch.context() as patch, heartbeat.working("the schedule"):
            patch.setattr(heartbeat, "HUNG_S", -1.0)
            return super().trouble()


class Nobody:
    name = "mqtt h:1883"

    def publish(self, topic: str, payload: str, *, retain: bool = False) -> bool:
        return False

    def health(self) -> SourceHealth:
        return SourceHealth(name=self.name, connected=False, trouble=None, since_s=0.0, last_message_s=None)


@pytest.mark.fault("N1")
@pytest.mark.fault("D3")
@pytest.mark.fault("D10")
@pytest.mark.fault("P2")
@pytest.mark.parametrize(
    "number", range(8), ids=["notices", "influx", "thinner", "page", "topic", "store", "thread", "bakes"]
)
def test_a_sinks_trouble_is_a_sentence_everywhere(tmp_path: Path, number: int) -> None:
    part, sentence = sinks(tmp_path)[number]
    spells = daemon_status.TroubleSince(Display())
    assert spells.sentences([part], NOW_S, 0.0) == [f"{sentence}, since 18:00. {part.advice}"]
    (later,) = spells.sentences([part], NOW_S + HOUR_S, HOUR_S)
    assert ", since 18:00. " in later
    assert part.advice.endswith(".")
    assert is_in_guide(sentence), sentence
    printed, page = known(tmp_path, [], [later])
    assert f"trouble: {later}" in printed
    assert page["troubles"] == [later]


def test_a_trouble_that_is_over_begins_again() -> None:
    part = Deafness()
    spells = daemon_status.TroubleSince(Display())
    said = []
    for minute, sentence in enumerate(("a", None, "b", "c")):
        part.sentence = sentence
        said += spells.sentences([part], NOW_S + 60.0 * minute, 60.0 * minute)
    assert said == ["a, since 18:00. Do x.", "b, since 18:02. Do x.", "c, since 18:02. Do x."]


@pytest.mark.fault("T1")
@pytest.mark.fault("T3")
def test_since_when_stays_right_when_the_clock_is_set() -> None:
    """It was so for an hour when the clock is set on by six, and for two when it is set back by half an hour."""
    part, spells, voice = Deafness(), daemon_status.TroubleSince(Display()), Voice()
    part.sentence = "a"
    now = [NOW_S, 0.0]
    condition = SourceStatus("x", lambda: now[0], lambda: now[1])
    condition.message_came()
    condition.report(connected=True, trouble=None)
    watch = StoreAlarm([voice], NoticeSettings(), Display())
    for step_s, began in ((0.0, "18:00"), (6 * HOUR_S, "00:00"), (-HOUR_S / 2, "23:30")):
        watch.look(None, *now)
        watch.look("the disk is full", *now)
        now[0] += step_s
        assert spells.sentences([part], *now) == [f"a, since {began}. Do x."]
        health = condition.health()
        assert (health.since_s, health.last_message_s) == (now[0] - now[1], now[0] - now[1])
        for part_of in range(2):
            now[:] = [at_s + HOUR_S / 2 for at_s in now]
            watch.look("the disk is full", *now)
            if part_of == 0:
                began_s = now[0] - HOUR_S / 2
                assert f"Since {Display().clock(began_s, now[0])} nothing" in voice.told[-1].text
    assert len(voice.told) == 3


class Deafness:
    advice = "Do x."
    sentence: str | None = None

    def trouble(self) -> str | None:
        return self.sentence


@pytest.mark.fault("D1")
def test_a_daemon_that_cannot_write_is_told_as_such(tmp_path: Path) -> None:
    """What it knows is in the store: on a full disk that grows old."""
    (tmp_path / "jartide.toml").write_text('[[jar]]\nname = "rye"\n\n[store]\npath = "s.db"\n')
    with StoreLock(tmp_path / "s.db"), Store.open(tmp_path / "s.db") as store:
        for ago_s, told in ((60.0, False), (600.0, True)):
            as_of_s = time.time() - ago_s
            daemon_status.write(store, as_of_s, [], [])
            printed = " ".join(jartide("status", "--config", tmp_path / "jartide.toml").output.split())
            assert ("is the disk full? `jartide check` tests it" in printed) == told
            assert (f"was true at {time.strftime('%H:%M', time.localtime(as_of_s))}" in printed) == told


class Telephone:
    """A channel that keeps what it was given."""

    key = shown = "telephone"

    def __init__(self) -> None:
        self.heard: list[StoredNotice] = []
        self.deaf = False

    def send(self, together: list[StoredNotice]) -> Failure | None:  # type: ignore[override]
        if self.deaf:
            return Failure(reason="no answer in time")
        self.heard += together
        return None


class Voice:
    """A sink that keeps what it is to tell at once."""

    def __init__(self) -> None:
        self.told: list[Notice] = []
        self.off: list[bool] = []

    def send_now(self, notice: Notice) -> None:
        self.told.append(notice)

    def cancel(self) -> None:
        self.off.append(True)


@pytest.mark.fault("D1")
@pytest.mark.fault("D16")
def test_while_nothing_can_be_written_it_is_told_once_past_the_outbox(tmp_path: Path) -> None:
    """The whole way: a night whose disk fills up. Nothing is judged then, so nothing else would tell."""
    kitchen = Kitchen(tmp_path / "s.db")
    voice = Voice()
    told, off = voice.told, voice.off
    watch = StoreAlarm([voice], NoticeSettings(), Display())

    def look() -> None:
        watch.look(kitchen.daemon.trouble(), kitchen.wall(), kitchen.now_s)

    def live(first: int, last: int) -> None:
        for thing in crashing.THINGS[first:last]:
            kitchen.live([thing])
            look()

    live(0, 60)
    assert told == []
    kitchen.store.query("PRAGMA query_only = ON")
    live(60, 65)
    assert told == []  # for a moment
    live(65, 120)
    assert [notice.kind for notice in told] == ["store_trouble"]
    text = told[0].text
    began_s = crashing.THINGS[60].received_s
    assert f"Since {Display().clock(began_s, began_s)} nothing" in text
    assert "look at the jars yourself" in text
    assert "Make room on the disk" in text
    assert told[0].urgent
    kitchen.store.query("PRAGMA query_only = OFF")
    live(120, 140)
    assert len(told) == 1
    assert off == [True]
    live(140, len(crashing.THINGS))
    assert "feed_now" in kitchen.notices()


@pytest.mark.fault("D16")
def test_all_ways_out_hear_of_a_store_in_trouble(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    urgent_sinks: list[object] = []

    def note(found: list[store_alarm.UrgentSink], *more: Any) -> StoreAlarm:
        urgent_sinks.extend(found)
        return StoreAlarm(found, *more)

    monkeypatch.setattr(store_alarm, "StoreAlarm", note)
    broker = MqttSettings(host="127.0.0.1", port=free_port(), notice_topic="jartide/notice")
    store = StoreSettings(path=tmp_path / "s.db")
    settings = replace(SETTINGS, mqtt=(broker,), store=store, page=PageSettings(on=False))
    assembly.watch(settings, started=lambda daemon: daemon.stop())
    assert [type(one) for one in urgent_sinks] == [NoticeSink, MqttState]


def test_the_alarm_waits_for_the_end_of_the_quiet_hours() -> None:
    voice = Voice()
    told = voice.told
    settings = NoticeSettings(quiet_from="17:00", quiet_to="19:00")
    watch = StoreAlarm([voice], settings, Display())
    for minute in range(0, 90, 10):
        watch.look("the disk is full", NOW_S + 60.0 * minute, 60.0 * minute)
    assert [notice.due_s for notice in told] == [NOW_S + HOUR_S]
    assert "Since 18:00 " in told[0].text


@pytest.mark.fault("D16")
def test_what_is_told_at_once_goes_out_when_the_channel_is_back_or_is_called_off(tmp_path: Path) -> None:
    Store.open(tmp_path / "s.db").close()
    phone = Telephone()
    sink = NoticeSink(tmp_path / "s.db", [phone])  # type: ignore[list-item]
    notice = store_alarm.unwritable("the disk is full", NOW_S, NOW_S + 600.0, Display())
    queue = ChannelQueue(phone, {phone.key})  # type: ignore[arg-type]
    phone.deaf = True
    queue.send_now(notice)
    assert not queue.send_unstored()
    assert phone.heard == []
    sink.send_now(notice)
    phone.deaf = False
    sink.start()
    wait_until(lambda: phone.heard, "told")
    sink.send_now(notice)
    wait_until(lambda: len(phone.heard) == 2, "told while it waits for the outbox")
    assert {kept.message_id for kept in phone.heard} == {f"jartide.0.{int(NOW_S // 60)}.store_trouble.0"}
    sink.stop()
    queue.cancel()
    assert queue.send_unstored()  # nothing is left
    assert len(phone.heard) == 2


@pytest.mark.fault("D3")
def test_a_damaged_store_is_a_notice_of_the_new_one(tmp_path: Path) -> None:
    quiet = NoticeSettings(quiet_from="17:00", quiet_to="19:00")
    notice = store_alarm.damaged(tmp_path / "s.db.corrupt", "the header is wrong", quiet, NOW_S, Display())
    assert notice.due_s == NOW_S + HOUR_S
    assert "At 18:00 the store was found damaged (the header is wrong)" in notice.text
    assert "`jartide fed`" in notice.text
    assert "`jartide recover`" in notice.text
    with closing(Store.open(tmp_path / "s.db")) as store:
        assert outbox.put(store, [notice], NOW_S) == 1
        assert outbox.put(store, [notice], NOW_S) == 0  # a loop of restarts within the minute tells it once


@pytest.mark.fault("S10")
@pytest.mark.fault("V2")
def test_a_sensor_that_is_gone_or_stuck_is_told_in_all_three_places(tmp_path: Path) -> None:
    """The night is in danger: nobody watches that jar. What, since when, what to do, in the notice; what and since when
    in `status` and on the page; what to do in the guide."""
    kitchen = Kitchen(tmp_path / "s.db")
    things = crashing.THINGS
    kitchen.live(things[:200])
    kitchen.to(things[320].received_s)
    (notice,) = [one.notice for one in outbox.of_jar(kitchen.store, "rye") if one.notice.kind == "sensor_silent"]
    assert "since 21:19" in notice.text
    assert "look at it yourself" in notice.text
    assert "Check its power, its cable or network" in notice.text
    assert "`sensor_silent`" in TROUBLES


def test_what_is_wrong_with_a_sensor_is_said_with_what_to_do_in_status_and_on_the_page_alike() -> None:
    state = replace(nothing_known("rye"), silent_since_s=100.0, stuck_since_s=200.0)
    assert sensor_troubles(state, lambda at_s: f"{at_s:.0f}") == [
        "no reading since 100: check its power, its cable or network",
        "the sensor has sent exactly the same value since 200: unplug it for a moment",
    ]
