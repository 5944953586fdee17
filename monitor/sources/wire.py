"""The device's format, and nothing else: bytes are cut into lines, and one line or MQTT payload becomes a `Message`.

Pure: no clock, no port, no connection, so that any chunking of the same bytes gives the same messages. Which jar a
message is for and when it was measured is decided in `ingest`, whether to believe it in `plausibility.py`. A finite
distance goes on as the device sent it, with its out-of-range codes (8190, 8191, 65535, 0, -1), so that a recorded run
and the live wire say the same.

The form: one JSON object, on serial ended by a newline,
`{"jar":"rye","distance_mm":92.4,"temperature_c":24.1,"boot":"7f3a","seq":12,"up_ms":120034}`; `echo_us` may stand for
`distance_mm`, and `air_c`, `humidity_pct` and `time` may be added. Unknown keys are ignored.

    value of a number key      distance_mm, echo_us, up_ms        temperature_c, air_c, humidity_pct
    missing, or null           missing                            missing
    true, "12.5", "12,5", []   refused: not a number              refused: not a number
    NaN, inf, 1e999            refused: not finite                missing (what a failed probe prints)
    1e308, -4000               refused: out of range              missing
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from math import isfinite
from typing import Any, NamedTuple

from monitor.core.display.refusals import Refusal, words
from monitor.runs import rfc3339
from monitor.values import MEASURED

LINE_MAX = 256  # bytes of a serial line; the longest line of the form, with every key, has about 200
PAYLOAD_MAX = 4096  # bytes of an MQTT payload, so that a wrong topic cannot keep the parser busy
BRACKETS_MAX = 16  # the form has two; json's scanner recurses on every one
DISTANCE_MM = (-10.0, 70_000.0)  # holds every code of a 16 bit ranging chip (65535) and its small negatives
ECHO_US = (-1.0, 1_000_000.0)  # 1 s is 170 m; ultrasonic modules answer "no echo" with 0 or about 38 ms
PLAUSIBLE_C = (-300.0, 1000.0)  # wider than any fault code (-127, 85, 127.94); beyond it nothing was measured
SEQ_MAX = 2**63 - 1  # what the store's integers hold
NAME_MAX = 64  # characters of a jar's name or a boot token
NOTHING = (None,) * len(MEASURED)  # no quantity; in a `Message` they begin at the second place


class Unreadable(ValueError):
    """What came in does not have the form. It is counted by `key` (`refusals`); the text is for people."""

    def __init__(self, key: str) -> None:
        super().__init__(words(key))
        self.key = key


class Message(NamedTuple):
    """One message as the device sent it. `time_s` is the device's own clock, `up_ms` its uptime, `boot` its token."""

    jar: str | None = None
    distance_mm: float | None = None
    echo_us: float | None = None
    temperature_c: float | None = None
    air_c: float | None = None
    humidity_pct: float | None = None
    time_s: float | None = None
    boot: str | None = None
    seq: int | None = None
    up_ms: float | None = None


# --- bytes to lines ------------------------------------------------------------------------------------------------


class Line(NamedTuple):
    """One line without its newline. `first`: its beginning may be missing; `overlong`: the rest of it was dropped."""

    data: bytes
    first: bool = False
    overlong: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Remainder:
    """What is left between two chunks: the line so far, and where in the stream we are."""

    tail: bytes = b""
    first: bool = True  # no newline seen since the port was opened
    skipping: bool = False  # inside an overlong line, up to its newline


def cut(remainder: Remainder, chunk: bytes) -> tuple[list[Line], Remainder]:
    """All lines that `chunk` ends, and the new remainder (at most `LINE_MAX` bytes). Empty lines are left out."""
    lines: list[Line] = []
    first, skipping = remainder.first, remainder.skipping
    *ended, tail = (remainder.tail + chunk).split(b"\n")
    for data in ended:
        if skipping:
            skipping = False
        elif len(data) > LINE_MAX:
            lines.append(Line(data[:LINE_MAX], first, overlong=True))
        elif data := data.strip(b" \t\r\0"):
            lines.append(Line(data, first))
        first = False
    if skipping:
        tail = b""
    elif len(tail) > LINE_MAX:
        lines.append(Line(tail[:LINE_MAX], first, overlong=True))
        tail, skipping = b"", True
    return lines, Remainder(tail=tail, first=first, skipping=skipping)


# --- a line or payload to a message --------------------------------------------------------------------------------

_FAILED_PRINT = re.compile(r":\s*[+-]?(?:nan|inf|ovf)(?=\s*[,}])", re.IGNORECASE)
"""What small C libraries print for a float that is none; JSON has no such word."""

_BARE = re.compile(r"([+-]?\d+(?:\.\d*)?)\s*,\s*([+-]?\d+(?:\.\d*)?|nan)?", re.ASCII | re.IGNORECASE)


def parse(payload: bytes, *, bare_lines: bool = False) -> Message:
    """The message in one line or payload. Raises Unreadable, and nothing else, for whatever does not have the form.

    `bare_lines` also accepts `distance,temperature` (mm, degC; the temperature may be empty), for a jar that the
    config names. It is off by default: with a decimal comma, one number would read as two.

    >>> parse(b'{"jar": "rye", "distance_mm": 92.4, "temperature_c": 24.1}').distance_mm
    92.4
    >>> parse(b'{"distance_mm": "92,4"}')
    Traceback (most recent call last):
    monitor.sources.wire.Unreadable: distance_mm is not a number
    """
    if len(payload) > PAYLOAD_MAX:
        raise Unreadable(Refusal.TOO_LONG)
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise Unreadable(Refusal.NOT_UTF8) from None
    if not text:
        raise Unreadable(Refusal.EMPTY)
    if text[0] != "{":
        return _bare(text, bare_lines)
    if text.count("{") + text.count("[") > BRACKETS_MAX:
        raise Unreadable(Refusal.NESTED)
    try:
        found = json.loads(text)
    except ValueError:
        found = _second_try(text)
    message = Message(
        jar=_name(found, "jar"),
        distance_mm=_strict(found, "distance_mm", DISTANCE_MM),
        echo_us=_strict(found, "echo_us", ECHO_US),
        temperature_c=_lenient(found, "temperature_c", PLAUSIBLE_C),
        air_c=_lenient(found, "air_c", PLAUSIBLE_C),
        humidity_pct=_lenient(found, "humidity_pct", (0.0, 100.0)),
        time_s=_time_s(found.get("time")),
        boot=token_of(found.get("boot")),
        seq=_seq(found.get("seq")),
        up_ms=_strict(found, "up_ms", (0.0, 1e12)),  # 1e12 ms is 31 years
    )
    if message.distance_mm is not None and message.echo_us is not None:
        raise Unreadable(Refusal.TWO_DISTANCES)
    if message[1 : 1 + len(NOTHING)] == NOTHING:
        raise Unreadable(Refusal.NOTHING_MEASURED)
    return message


def _second_try(text: str) -> Any:
    try:
        return json.loads(_FAILED_PRINT.sub(":NaN", text))
    except ValueError:
        raise Unreadable(Refusal.NOT_JSON) from None


def _bare(text: str, allowed: bool) -> Message:
    match = _BARE.fullmatch(text)
    if match is None:
        raise Unreadable(Refusal.NOT_A_PAIR if allowed and text[0] != "[" else Refusal.NOT_AN_OBJECT)
    if not allowed:
        raise Unreadable(Refusal.BARE_LINE)
    distance, temperature = match.groups()
    found = {"distance_mm": float(distance), "temperature_c": float(temperature) if temperature else None}
    return Message(
        distance_mm=_strict(found, "distance_mm", DISTANCE_MM),
        temperature_c=_lenient(found, "temperature_c", PLAUSIBLE_C),
    )


def _number(found: dict[str, Any], key: str) -> float | None:
    value = found.get(key)
    if value is None or type(value) is float:
        return value
    if type(value) is not int:  # bool is an int to isinstance
        raise Unreadable(Refusal.NOT_A_NUMBER.about(key))
    try:
        return float(value)
    except OverflowError:
        return float("inf")


def _strict(found: dict[str, Any], key: str, limits: tuple[float, float]) -> float | None:
    value = _number(found, key)
    if value is None:
        return None
    if not isfinite(value):
        raise Unreadable(Refusal.NOT_FINITE.about(key))
    if not limits[0] <= value <= limits[1]:
        raise Unreadable(Refusal.OUT_OF_RANGE.about(key))
    return value


def _lenient(found: dict[str, Any], key: str, limits: tuple[float, float]) -> float | None:
    value = _number(found, key)
    return value if value is not None and limits[0] <= value <= limits[1] else None  # NaN compares false


def _name(found: dict[str, Any], key: str) -> str | None:
    value = found.get(key)
    if value is None:
        return None
    if type(value) is not str or not 0 < len(value) <= NAME_MAX:
        raise Unreadable(Refusal.NOT_A_NAME.about(key))
    return value


def token_of(value: object) -> str | None:
    """A power-up's token; None where there is none."""
    if value is None:
        return None
    if type(value) not in (str, int) or len(token := str(value)) > NAME_MAX or not token.isprintable():
        raise Unreadable(
            Refusal.NOT_A_TOKEN.about("boot")
        )  # not printable: half a surrogate pair, which no store takes
    return token


def _seq(value: object) -> int | None:
    if value is None:
        return None
    if type(value) is not int or not 0 <= value <= SEQ_MAX:
        raise Unreadable(Refusal.NOT_WHOLE.about("seq"))
    return value


def _time_s(value: object) -> float | None:
    """Unix seconds of the device's `time`; a leap second is the second after it (see `runs/rfc3339.py`)."""
    if value is None:
        return None
    try:
        if type(value) is str:
            return rfc3339.parse(value)
        if type(value) in (int, float) and isfinite(time_s := float(value)):  # type: ignore[arg-type]
            return time_s
    except (ValueError, OverflowError):
        pass
    raise Unreadable(Refusal.NOT_A_TIME)
