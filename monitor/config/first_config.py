"""The config that `jartide init` writes: a few answers as TOML, with a comment beside what a newcomer changes next."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from monitor.config.reader import settings_from
from monitor.config.toml_lines import toml_text
from monitor.values import Json

MQTT_PASSWORD = "mqtt_password"  # the file of a broker's password, beside the config


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What was answered; None for what is not known or not wanted."""

    jar: str
    empty_mm: float | None = None  # distance over the empty jar
    rim_mm: float | None = None  # height of the rim above the inside bottom
    diameter_mm: float | None = None  # inside; None: a straight wall of any width
    geometry: Mapping[str, Json] | None = None  # a measured one, in place of the diameter
    flour: str | None = None
    sensor: str = "optical"
    serial: Mapping[str, Json] | None = None  # the keys of its table, without the jar
    mqtt: Mapping[str, Json] | None = None
    quiet_from: str | None = None  # local time
    quiet_to: str | None = None
    address_file: str | None = None  # one notification address a line
    page_password_file: str | None = None
    time_zone: str | None = None


def text_of(answers: Answers) -> str:
    """The config as text. `problems_of` says whether it can be used."""
    lines = ["# Jartide's config, written by `jartide init`; configs/everything.toml explains every key.", ""]
    lines += ["[[jar]]", _key("name", answers.jar)]
    if answers.empty_mm is None:
        lines.append("# empty_mm = 152   # mm: what the sensor reads over the empty jar; `jartide calibrate` finds it")
    else:
        lines.append(_key("empty_mm", answers.empty_mm, "mm: what the sensor reads over the empty jar"))
    if answers.rim_mm is not None:
        lines.append(
            _key("rim_mm", answers.rim_mm, "mm: the rim above the inside bottom, for a warning before it runs over")
        )
    if answers.geometry is not None:
        lines.append(_key("geometry", dict(answers.geometry), "measured"))
    elif answers.diameter_mm is not None:
        lines.append(_key("geometry", {"shape": "straight", "diameter_mm": answers.diameter_mm}))
    if answers.sensor != "optical":
        lines.append(_key("sensor", answers.sensor))
    if answers.flour is not None:
        lines.append(_key("flour", answers.flour, "what it is usually fed"))
    if answers.serial is not None:
        keys = [_key(key, value) for key, value in answers.serial.items()]
        lines += ["", "[[serial]]", *keys, _key("jar", answers.jar, "for lines that name no jar")]
    if answers.mqtt is not None:
        lines += ["", "[[mqtt]]", *_mqtt_lines(answers.mqtt, answers.jar)]
    notices = [
        _key(name, value)
        for name, value in (("quiet_from", answers.quiet_from), ("quiet_to", answers.quiet_to))
        if value is not None
    ]
    if answers.address_file is not None:
        notices.append(
            _key("to_file", answers.address_file, "one notification address (apprise URL) per line, mode 600")
        )
    if notices:
        lines += ["", "[notices]", *notices]
    if answers.page_password_file is not None:
        comment = "in a file beside this one, mode 600; lets people change settings on the page"
        lines += ["", "[page]", _key("password_file", answers.page_password_file, comment)]
    if answers.time_zone is not None:
        lines += ["", "[display]", _key("time_zone", answers.time_zone)]
    return "\n".join(lines) + "\n"


def _mqtt_lines(table: Mapping[str, Json], jar: str) -> Iterator[str]:
    own = "topic" not in table
    for key, value in table.items():
        yield _key(key, value, f"readings come in on jartide/{jar}/reading" if own and key == "host" else "")
        if key == "user":
            yield _key("password_file", MQTT_PASSWORD, "a file beside this one, mode 600, the password on one line")
    if not own:
        yield _key("jar", jar, "whose readings they are")


def problems_of(answers: Answers) -> list[str]:
    """What the config reader would find wrong, as a clause each."""
    return [problem for _, problem in settings_from(tomllib.loads(text_of(answers)))[1]]


def _key(name: str, value: object, comment: str = "") -> str:
    line = f"{name} = {toml_text(_plain(value))}"
    return f"{line:<26}# {comment}" if comment else line


def _plain(value: object) -> object:
    """150.0 -> 150, as people write it."""
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    return int(value) if isinstance(value, float) and value.is_integer() else value
