"""Why something that came in is no reading: the key that it is counted by, and the words that people read.

A key may name the field: "not_a_number:seq". Made in `sources/`, stored by `runs/`, shown by commands and the page.
"""

from __future__ import annotations

from enum import StrEnum


class Refusal(StrEnum):
    """The keys. They are stored, and a label of the page's metrics, so they stay; the words may change."""

    # its form
    TOO_LONG = "too_long"
    LINE_TOO_LONG = "line_too_long"
    NOT_UTF8 = "not_utf8"
    EMPTY = "empty"
    NESTED = "nested"
    NOT_JSON = "not_json"
    NOT_AN_OBJECT = "not_an_object"
    NOT_A_PAIR = "not_a_pair"
    BARE_LINE = "bare_line"
    # its values
    TWO_DISTANCES = "two_distances"
    NOTHING_MEASURED = "nothing_measured"
    NOT_A_NUMBER = "not_a_number"
    NOT_FINITE = "not_finite"
    OUT_OF_RANGE = "out_of_range"
    BEYOND_A_SENSOR = "beyond_a_sensor"
    NOT_A_NAME = "not_a_name"
    NOT_A_TOKEN = "not_a_token"
    NOT_WHOLE = "not_whole"
    NOT_A_TIME = "not_a_time"
    NOT_A_DATE = "not_a_date"
    # whose it is
    NO_JAR = "no_jar"
    UNKNOWN_JAR = "unknown_jar"
    UNKNOWN_TOPIC = "unknown_topic"
    # its time among the others of a recorded run
    FAR_AHEAD = "far_ahead"
    FAR_OFF = "far_off"
    TOLD_TOO_LATE = "told_too_late"
    BAD_ROW = "bad_row"
    # ours
    TOO_OFTEN = "too_often"
    LOST = "lost"

    def about(self, field: str) -> str:
        """The key with the field that is wrong."""
        return f"{self.value}:{field}"


_WORDS: dict[str, str] = {
    Refusal.TOO_LONG: "too long",
    Refusal.LINE_TOO_LONG: "line too long",
    Refusal.NOT_UTF8: "not UTF-8",
    Refusal.EMPTY: "empty",
    Refusal.NESTED: "nested too deep",
    Refusal.NOT_JSON: "not JSON",
    Refusal.NOT_AN_OBJECT: "not a JSON object",
    Refusal.NOT_A_PAIR: "not distance,temperature",
    Refusal.BARE_LINE: "a bare line, and bare_lines is not set",
    Refusal.TWO_DISTANCES: "both distance_mm and echo_us",
    Refusal.NOTHING_MEASURED: "nothing measured in it",
    Refusal.NOT_A_NUMBER: "{} is not a number",
    Refusal.NOT_FINITE: "{} is not finite",
    Refusal.OUT_OF_RANGE: "{} is out of range",
    Refusal.BEYOND_A_SENSOR: "more than any sensor can measure",
    Refusal.NOT_A_NAME: "{} is not a name",
    Refusal.NOT_A_TOKEN: "{} is not a token",
    Refusal.NOT_WHOLE: "{} is not a whole number",
    Refusal.NOT_A_TIME: "time is neither RFC 3339 nor Unix seconds",
    Refusal.NOT_A_DATE: "time is no date and time",
    Refusal.NO_JAR: "no jar named",
    Refusal.UNKNOWN_JAR: "jar not configured",
    Refusal.UNKNOWN_TOPIC: "topic not configured",
    Refusal.FAR_AHEAD: "time far ahead of the others",
    Refusal.FAR_OFF: "time far from the others",
    Refusal.TOLD_TOO_LATE: "a feeding reported for a time after the run",
    Refusal.BAD_ROW: "not a reading",
    Refusal.TOO_OFTEN: "came more than twice a second, of which the newest is kept",
    Refusal.LOST: "lost while the store could not be written",
}


def words(key: str) -> str:
    """The words for a key; an unknown key is shown as it is (stores of 0.1 kept the words themselves).

    >>> words(Refusal.NOT_A_NUMBER.about("seq"))
    'seq is not a number'
    >>> words("not UTF-8")
    'not UTF-8'
    """
    kind, _, field = key.partition(":")
    said = _WORDS.get(kind)
    return key if said is None else said.format(field)
