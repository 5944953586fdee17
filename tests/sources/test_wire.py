"""The device's words: lines out of chunks, messages out of lines, and what is refused with which reason."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.display.refusals import Refusal
from monitor.sources.boot_clock import DELAY_MAX_S, WRAP_S, BootClocks
from monitor.sources.ingest import UNKNOWN_MAX, Ingest
from monitor.sources.mqtt_link import topic_filter, topic_pattern
from monitor.sources.wire import LINE_MAX, Line, Message, Remainder, Unreadable, cut, parse
from monitor.values import Delivery, Rejected


def lines_of(*chunks: bytes) -> list[Line]:
    remainder, lines = Remainder(), []
    for chunk in chunks:
        some, remainder = cut(remainder, chunk)
        lines += some
        assert len(remainder.tail) <= LINE_MAX
    return lines


# --- bytes to lines ------------------------------------------------------------------------------------------------

stream = st.lists(
    st.one_of(
        st.binary(max_size=40),
        st.just(b"\n"),
        st.just(b"\r\n"),
        st.just(b'{"jar":"rye","distance_mm":92.4}\n'),
        st.integers(LINE_MAX - 2, 3 * LINE_MAX).map(lambda n: b"x" * n),
    )
).map(b"".join)


@pytest.mark.fault("S2")
@given(stream, st.lists(st.integers(1, 700)))
def test_any_chunking_gives_the_same_lines(data: bytes, sizes: list[int]) -> None:
    chunks, rest = [], data
    for size in sizes:
        chunks.append(rest[:size])
        rest = rest[size:]
    assert lines_of(*chunks, rest) == lines_of(data)
    assert lines_of(*(data[i : i + 1] for i in range(len(data)))) == lines_of(data)


@pytest.mark.fault("S2")
def test_a_value_is_never_cut_in_two() -> None:
    """A pause inside a line must not make 12.3,24.1 into 12.3,2 and 4.1."""
    assert [line.data for line in lines_of(b"\n12.3,2", b"4.1\r\n")] == [b"12.3,24.1"]


def test_the_first_line_is_marked_and_empty_ones_are_left_out() -> None:
    assert lines_of(b"2.4}\n\n \r\n\0\nnext\n") == [Line(b"2.4}", first=True), Line(b"next")]


@pytest.mark.fault("S3")
def test_an_endless_line_is_dropped_and_the_next_one_read() -> None:
    lines = lines_of(b"\n", *[b"x" * 1000] * 10_000, b"\nnext\n")  # 10 MB
    assert [(line.overlong, line.data) for line in lines] == [(True, b"x" * LINE_MAX), (False, b"next")]


# --- a line to a message -------------------------------------------------------------------------------------------


def test_the_whole_form() -> None:
    line = (
        b'{"jar":"rye","distance_mm":92.4,"temperature_c":24.1,"air_c":25,"humidity_pct":80.5,'
        b'"time":"2026-03-02T06:00:00Z","seq":7,"boot":"7f3a","up_ms":120034,"rssi":-61}'
    )
    assert parse(line) == Message(
        jar="rye", distance_mm=92.4, temperature_c=24.1, air_c=25.0, humidity_pct=80.5,
        time_s=1772431200.0, seq=7, boot="7f3a", up_ms=120034.0,
    )  # fmt: skip


@pytest.mark.fault("V1")
@pytest.mark.parametrize(
    ("value", "reason"),
    [
        ("true", "distance_mm is not a number"),
        ('"92.4"', "distance_mm is not a number"),
        ('"12,5"', "distance_mm is not a number"),
        ('"abc"', "distance_mm is not a number"),
        ("[92.4]", "distance_mm is not a number"),
        ("{}", "distance_mm is not a number"),
        ("NaN", "distance_mm is not finite"),
        ("nan", "distance_mm is not finite"),
        ("-inf", "distance_mm is not finite"),
        ("Infinity", "distance_mm is not finite"),
        ("1e999", "distance_mm is not finite"),
        ("1" + "0" * 400, "distance_mm is not finite"),
        ("1e308", "distance_mm is out of range"),
        ("-4000", "distance_mm is out of range"),
        ("70001", "distance_mm is out of range"),
        ("12,5", "not JSON"),
        ("null", "nothing measured in it"),
    ],
)
def test_a_distance_that_is_none_is_refused(value: str, reason: str) -> None:
    with pytest.raises(Unreadable, match=f"^{reason}$"):
        parse(f'{{"jar":"rye","distance_mm":{value}}}'.encode())


@pytest.mark.fault("V4")
@pytest.mark.parametrize("code", [8190, 8191, 65535, 0, -1, 2.5])
def test_codes_for_no_target_go_on_as_the_device_said_them(code: float) -> None:
    """8190 and 8191 mm mean "no target" in ST's ranging chips (community.st.com); core decides, the recorder keeps."""
    assert parse(json.dumps({"distance_mm": code}).encode()).distance_mm == code


@pytest.mark.fault("V4")
@pytest.mark.parametrize("code", [85.0, -127.0, -0.0625, 127.94])
def test_fault_codes_of_a_thermometer_go_on_as_the_device_said_them(code: float) -> None:
    """DS18B20 data sheet, table 1: 85 is the value after power-up; -127 is what libraries say when it is not there."""
    assert parse(json.dumps({"distance_mm": 90, "temperature_c": code}).encode()).temperature_c == code


@pytest.mark.fault("V1")
@pytest.mark.parametrize("value", ["null", "NaN", "nan", "inf", "-inf", "1e308", "1e999", "-4000"])
def test_a_temperature_that_is_none_is_missing_and_the_distance_counts(value: str) -> None:
    message = parse(f'{{"distance_mm":92.4,"temperature_c": {value} }}'.encode())
    assert (message.distance_mm, message.temperature_c) == (92.4, None)


@pytest.mark.fault("V1")
@pytest.mark.parametrize("value", ["true", '"24,1"', "[]"])
def test_a_temperature_of_the_wrong_type_is_refused(value: str) -> None:
    with pytest.raises(Unreadable, match=r"^temperature_c is not a number$"):
        parse(f'{{"distance_mm":92.4,"temperature_c":{value}}}'.encode())


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "empty"),
        (b" \r", "empty"),
        (b"\xff\xfe", "not UTF-8"),
        (b"null", "not a JSON object"),
        (b"[1,2]", "not a JSON object"),
        (b"ets Jun  8 2016 00:22:57 rst:0x1 (POWERON_RESET)", "not a JSON object"),
        (b"92.4,24.1", "a bare line, and bare_lines is not set"),
        (b'{"distance_mm":92.4', "not JSON"),
        (b'{"distance_mm":92.4}{"distance_mm":92.4}', "not JSON"),
        (b"{}", "nothing measured in it"),
        (b'{"distance_mm":1,"echo_us":500}', "both distance_mm and echo_us"),
        (b'{"distance_mm":1,"jar":7}', "jar is not a name"),
        (b'{"distance_mm":1,"jar":""}', "jar is not a name"),
        (b'{"distance_mm":1,"seq":1.5}', "seq is not a whole number"),
        (b'{"distance_mm":1,"seq":-1}', "seq is not a whole number"),
        (b'{"distance_mm":1,"seq":true}', "seq is not a whole number"),
        (b'{"distance_mm":1,"boot":["a"]}', "boot is not a token"),
        (b'{"distance_mm":1,"boot":"\\ud800"}', "boot is not a token"),
        (b'{"distance_mm":1,"up_ms":-5}', "up_ms is out of range"),
        (b'{"distance_mm":1,"time":"yesterday"}', "time is neither RFC 3339 nor Unix seconds"),
        (b'{"distance_mm":1,"time":"2026-03-02T06:00:00"}', "time is neither RFC 3339 nor Unix seconds"),
        (b'{"distance_mm":1,"time":true}', "time is neither RFC 3339 nor Unix seconds"),
        (b'{"distance_mm":1,"time":NaN}', "time is neither RFC 3339 nor Unix seconds"),
        (b'{"a":' * 10_000, "too long"),
        (b'{"a":' * 700, "nested too deep"),
        (b'{"a":' + b"[" * 3000, "nested too deep"),
        (b"x" * 1_000_000, "too long"),
    ],
)
def test_what_is_not_of_the_form_has_a_fixed_reason(payload: bytes, reason: str) -> None:
    with pytest.raises(Unreadable, match=f"^{reason}$"):
        parse(payload)


@pytest.mark.parametrize(
    ("text", "utc_s"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397),
        ("1996-12-20T00:39:57Z", 851042397),
        ("1990-12-31T23:59:60Z", 662688000),  # a leap second is the second after it: 1991-01-01T00:00:00Z
        ("1990-12-31T15:59:60-08:00", 662688000),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
        ("1985-04-12t23:20:50.52z", 482196050.52),  # section 5.6: T and Z may be lower case
    ],
)
def test_the_examples_of_rfc_3339(text: str, utc_s: float) -> None:
    """RFC 3339, section 5.8."""
    assert parse(json.dumps({"distance_mm": 1, "time": text}).encode()).time_s == pytest.approx(utc_s, abs=1e-6)


def test_unix_seconds_are_a_time_too() -> None:
    assert parse(b'{"distance_mm":1,"time":1772431200.5}').time_s == 1772431200.5


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (b"92.4,24.1", (92.4, 24.1)),
        (b"92 , -4", (92.0, -4.0)),
        (b"92.4,", (92.4, None)),
        (b"92.4,nan", (92.4, None)),
        (b"8190,85.00", (8190.0, 85.0)),
    ],
)
def test_bare_lines_where_they_are_asked_for(line: bytes, expected: tuple[float, float | None]) -> None:
    message = parse(line, bare_lines=True)
    assert (message.distance_mm, message.temperature_c) == expected


@pytest.mark.fault("V1")
@pytest.mark.parametrize("line", [b"92,4,24,1", b"92.4", b"92.4;24.1", b"1e3,20", b"a,b", "٩٢,٢٤".encode()])
def test_bare_lines_of_another_form_are_refused(line: bytes) -> None:
    with pytest.raises(Unreadable, match=r"^not distance,temperature$"):
        parse(line, bare_lines=True)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=6,
)


def test_the_driest_and_the_wettest_air_is_air() -> None:
    """The bounds themselves are values: 0 to 100 % (common practice, no source); what lies beyond is left out."""
    for value, kept in ((0, 0.0), (100, 100.0), (-1, None), (101, None)):
        assert parse(f'{{"distance_mm":92,"humidity_pct":{value}}}'.encode()).humidity_pct == kept


KEYS = ["jar", "distance_mm", "echo_us", "temperature_c", "air_c", "humidity_pct", "time", "boot", "seq", "up_ms"]


def ingest(now: list[float], **changes: object) -> Ingest:
    """`now` is [wall, monotonic]."""
    options = {"jars": frozenset({"rye", "wheat"}), "wall": lambda: now[0], "monotonic": lambda: now[1]} | changes
    return Ingest("test", **options)  # type: ignore[arg-type]


@pytest.mark.fault("F1")
@given(
    st.binary(max_size=300) | st.dictionaries(st.sampled_from(KEYS), json_values).map(lambda d: json.dumps(d).encode())
)
def test_nothing_that_a_stranger_sends_raises_and_nothing_unheard_of_passes(payload: bytes) -> None:
    item = ingest([1.8e9, 50.0], jar="rye").take(payload)
    if isinstance(item, Rejected):
        assert 0 < len(item.reason) < 60
        assert len(item.detail) <= 80
        assert item.detail.isprintable()
        return
    reading = item.reading
    assert reading.jar in ("rye", "wheat")
    assert math.isfinite(reading.time_s)
    values = [getattr(reading, key) for key in ("distance_mm", "echo_us", "temperature_c", "air_c", "humidity_pct")]
    assert any(value is not None for value in values)
    assert all(value is None or math.isfinite(value) for value in values)
    assert reading.distance_mm is None or reading.echo_us is None


# --- whose it is, and when it was measured -------------------------------------------------------------------------

NOW_S = 1_800_000_000.0


def test_the_jar_of_the_topic_counts_then_the_message_then_the_config() -> None:
    both = ingest([NOW_S, 0.0], jar="wheat")
    assert both.take(b'{"jar":"wheat","distance_mm":1}', jar="rye").reading.jar == "rye"
    assert both.take(b'{"jar":"rye","distance_mm":1}').reading.jar == "rye"
    assert both.take(b'{"distance_mm":1}').reading.jar == "wheat"
    assert ingest([NOW_S, 0.0]).take(b'{"distance_mm":1}').reason == Refusal.NO_JAR


@pytest.mark.fault("M14")
def test_unknown_jars_are_named_up_to_a_limit() -> None:
    strangers = ingest([NOW_S, 0.0])
    items = [strangers.take(b'{"distance_mm":1}', jar=f"jar{n}") for n in range(10_000)]
    assert {item.reason for item in items} == {Refusal.UNKNOWN_JAR}
    assert len({item.detail for item in items}) == UNKNOWN_MAX + 1
    assert {item.jar for item in items} == {None}


@pytest.mark.fault("T7")
@pytest.mark.parametrize(
    ("time_s", "expected_s", "timed"),
    [
        (NOW_S - 3600, NOW_S - 3600, True),
        (NOW_S + 119, NOW_S + 119, True),
        (NOW_S + 121, NOW_S, False),  # more than 2 min ahead: the clock is wrong
        (NOW_S + 86_400, NOW_S, False),
        (0, NOW_S, False),  # a clock that was never set
        (946_684_800, NOW_S, False),  # 2000-01-01, where small boards begin
        (NOW_S - 8 * 86_400, NOW_S, False),
        (NOW_S * 1000, NOW_S, False),  # milliseconds taken for seconds
    ],
)
def test_the_devices_clock_is_used_only_where_it_can_be_right(time_s: float, expected_s: float, timed: bool) -> None:
    source = ingest([NOW_S, 0.0])
    item = source.take(json.dumps({"jar": "rye", "distance_mm": 1, "time": time_s}).encode())
    assert isinstance(item, Delivery)
    assert (item.reading.time_s, item.timed) == (expected_s, timed)
    assert (source.clock_trouble is None) == timed


@pytest.mark.fault("T7")
def test_a_wrong_clock_is_named_with_how_wrong_it_is() -> None:
    source = ingest([NOW_S, 0.0])
    source.take(json.dumps({"jar": "rye", "distance_mm": 1, "time": NOW_S + 86_400 * 3}).encode())
    assert (
        source.clock_trouble
        == "the clock of the device at jar rye is 3 days ahead: its times are ignored; set its clock"
    )


def test_one_wrong_clock_is_not_talked_away_by_another_device() -> None:
    source = ingest([NOW_S, 0.0])
    source.take(json.dumps({"jar": "rye", "distance_mm": 1, "time": 0}).encode())
    source.take(json.dumps({"jar": "wheat", "distance_mm": 1, "time": NOW_S}).encode())
    assert "jar rye is 57 years behind" in (source.clock_trouble or "")
    source.take(json.dumps({"jar": "rye", "distance_mm": 1, "time": NOW_S}).encode())
    assert source.clock_trouble is None


@pytest.mark.fault("T7")
def test_with_a_wrong_clock_the_uptime_counts() -> None:
    now = [NOW_S, 1000.0]
    source = ingest(now)
    source.take(b'{"jar":"rye","distance_mm":1,"time":0,"boot":"a","up_ms":5000}')
    now[0], now[1] = NOW_S + 100, 1100.0
    item = source.take(b'{"jar":"rye","distance_mm":1,"time":10,"boot":"a","up_ms":15000}')
    assert (item.reading.time_s, item.timed) == (NOW_S + 10, True)


@pytest.mark.fault("M7")
def test_a_retained_message_without_a_time_is_of_unknown_time() -> None:
    item = ingest([NOW_S, 0.0]).take(b'{"jar":"rye","distance_mm":1}', again=True, waited=True)
    assert (item.again, item.timed) == (True, False)
    old_s = NOW_S - 30 * 86_400
    item = ingest([NOW_S, 0.0]).take(
        json.dumps({"jar": "rye", "distance_mm": 1, "time": old_s}).encode(), again=True, waited=True
    )
    assert (item.reading.time_s, item.timed) == (old_s, True)  # core sees how old it is


# --- power-ups -----------------------------------------------------------------------------------------------------


def test_a_backlog_of_a_known_power_up_is_dated_right() -> None:
    clocks = BootClocks()
    assert clocks.delay_s("rye", "a", 10_000, 1000.0, waited=False) == 0.0
    for n in range(1, 720):  # two hours of readings, all at once
        came_s = 1000.0 + 7200 + n * 0.001
        delay_s = clocks.delay_s("rye", "a", 10_000 + n * 10_000, came_s, waited=True)
        assert delay_s == pytest.approx(came_s - (1000.0 + n * 10), abs=0.01)


@pytest.mark.fault("M16")
def test_it_is_also_dated_right_after_a_restart() -> None:
    before = BootClocks()
    before.delay_s("rye", "a", 10_000, 1000.0, waited=False)
    saved = json.loads(json.dumps(before.snapshot(wall_s=NOW_S, at_s=1000.0)))
    after = BootClocks(saved, wall_s=NOW_S + 3600, at_s=5.0)  # another process, maybe another boot of this machine
    delay_s = after.delay_s("rye", "a", 70_000, 5.0, waited=True)  # measured 60 s after the first one
    assert delay_s == pytest.approx(3540, abs=0.01)


def test_a_backlog_of_an_unknown_power_up_has_no_time_until_messages_come_at_their_pace() -> None:
    clocks = BootClocks()
    came_s = 50.0
    for n in range(100):
        came_s += 0.001
        assert clocks.delay_s("rye", "b", n * 10_000, came_s, waited=True) is None
    live = [clocks.delay_s("rye", "b", (100 + n) * 10_000, came_s + 5 + n * 10, waited=True) for n in range(3)]
    assert live[1:] == [0.0, 0.0]


@pytest.mark.fault("V14")
@pytest.mark.parametrize("rate", [0.995, 0.9999, 1.0, 1.0001, 1.005])
def test_a_clock_that_runs_fast_or_slow_is_followed(rate: float) -> None:
    """Ceramic resonators are off by up to 0.5 %: 7 min a day."""
    clocks = BootClocks()
    delays_s = [clocks.delay_s("rye", "a", n * 10_000 * rate, n * 10.0, waited=False) for n in range(3 * 8640)]
    assert max(delays_s) < 0.2  # type: ignore[type-var]


@pytest.mark.fault("V14")
def test_uptime_counters_of_32_bit_wrap() -> None:
    clocks = BootClocks()
    up_ms = WRAP_S * 1000 - 15_000
    clocks.delay_s("rye", "a", up_ms, 0.0, waited=False)
    assert clocks.delay_s("rye", "a", (up_ms + 20_000) % 2**32, 20.0, waited=False) == pytest.approx(0, abs=1e-6)
    assert clocks.delay_s("rye", "a", (up_ms + 10_000) % 2**32, 20.0, waited=True) == pytest.approx(10, abs=0.3)


@pytest.mark.fault("V14")
def test_a_nonsense_uptime_does_not_spoil_the_rest() -> None:
    clocks = BootClocks()
    clocks.delay_s("rye", "a", 10_000, 0.0, waited=False)
    clocks.delay_s("rye", "a", 1e12, 10.0, waited=False)
    assert clocks.delay_s("rye", "a", 30_000, 20.0, waited=False) == 0.0
    assert DELAY_MAX_S < 1e9


def test_without_a_boot_token_a_lower_uptime_is_a_new_power_up() -> None:
    clocks = BootClocks()
    clocks.delay_s("rye", None, 300_000, 0.0, waited=False)
    assert clocks.delay_s("rye", None, 2_000, 10.0, waited=False) == 0.0


def test_a_device_that_sleeps_deeply_does_not_fill_the_memory() -> None:
    clocks = BootClocks()
    for n in range(2000):
        assert clocks.delay_s("rye", str(n), 800, n * 60.0, waited=False) == 0.0
    kept = clocks.snapshot(wall_s=0.0, at_s=0.0)
    assert isinstance(kept, list)
    assert len(kept) == 256


# --- topics --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("template", "topic", "fits"),
    [
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("#", "sport/tennis", True),
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/tennis/#", "sport/tennis", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
        ("#", "$SYS/broker", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/monitor/+", "$SYS/monitor/Clients", True),
        ("ACCOUNTS", "Accounts", False),
    ],
)
def test_the_topic_examples_of_the_mqtt_standard(template: str, topic: str, fits: bool) -> None:
    """OASIS MQTT 5.0, sections 4.7.1 to 4.7.3; also what paho's own matcher says."""
    from paho.mqtt.client import topic_matches_sub

    assert bool(topic_pattern(template).fullmatch(topic)) == fits
    assert topic_matches_sub(topic_filter(template), topic) == fits or template[0] in "+#"


@pytest.mark.parametrize(
    ("template", "wanted", "topic", "jar"),
    [
        ("jartide/{jar}/reading", "jartide/+/reading", "jartide/rye/reading", "rye"),
        ("home/+/jar-{jar}/#", "home/+/+/#", "home/kitchen/jar-rye/raw/1", "rye"),
        ("{jar}", "+", "rye", "rye"),
        ("a.b/{jar}", "a.b/+", "axb/rye", None),
    ],
)
def test_the_jar_in_a_topic(template: str, wanted: str, topic: str, jar: str | None) -> None:
    assert topic_filter(template) == wanted
    match = topic_pattern(template).fullmatch(topic)
    assert (match and match["jar"]) == jar


@pytest.mark.parametrize("length", [1, 2, 63, 64])
def test_names_and_tokens_of_up_to_64_letters_are_taken(length: int) -> None:
    text = "r" * length
    message = parse(json.dumps({"jar": text, "boot": text, "distance_mm": 1}).encode())
    assert (message.jar, message.boot) == (text, text)


@pytest.mark.parametrize("text", ["", "r" * 65])
def test_names_of_none_or_more_letters_are_not(text: str) -> None:
    with pytest.raises(Unreadable, match="jar is not a name"):
        parse(json.dumps({"jar": text, "distance_mm": 1}).encode())
    if text:
        with pytest.raises(Unreadable, match="boot is not a token"):
            parse(json.dumps({"jar": "rye", "boot": text, "distance_mm": 1}).encode())
