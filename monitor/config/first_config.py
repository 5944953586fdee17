"""The config that `jartide init` writes: a few answers as TOML, with a comment beside what a newcomer changes next."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass

from monitor.config.reader import settings_from
from monitor.config.toml_lines import toml_text


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What was answered; None: not known, or not wanted."""

    jar: str
    empty_mm: float | None = None  # distance over the empty jar
    rim_mm: float | None = None  # height of the rim above the inside bottom
    diameter_mm: float | None = None  # inside; None: a straight wall of any width
    flour: str | None = None
    sensor: str = "optical"
    serial_port: str | None = None
    mqtt_host: str | None = None
    mqtt_user: str | None = None
    quiet_from: str | None = None  # local time
    quiet_to: str | None = None
    address_file: str | None = None  # one notification address a line
    time_zone: str | None = None


def text_of(answers: Answers) -> str:
    """The config as text. `problems_of` says whether it can be used."""
    lines = ["# Jartide's config, as `jartide init` wrote it; configs/everything.toml explains every key there is.", ""]
    lines += ["[[jar]]", _key("name", answers.jar)]
    if answers.empty_mm is None:
        lines.append("# empty_mm = 152   # mm: what the sensor reads over the empty jar; `jartide calibrate` finds it")
    else:
        lines.append(_key("empty_mm", answers.empty_mm, "mm: what the sensor reads over the empty jar"))
    if answers.rim_mm is not None:
        lines.append(
            _key("rim_mm", answers.rim_mm, "mm: the rim above the inside bottom, for a warning before it runs over")
        )
    if answers.diameter_mm is not None:
        lines.append(_key("geometry", {"shape": "straight", "diameter_mm": answers.diameter_mm}))
    if answers.sensor != "optical":
        lines.append(_key("sensor", answers.sensor))
    if answers.flour is not None:
        lines.append(_key("flour", answers.flour, "what it is usually fed"))
    if answers.serial_port is not None:
        lines += [
            "",
            "[[serial]]",
            _key("port", answers.serial_port),
            _key("jar", answers.jar, "for lines that name no jar"),
        ]
    if answers.mqtt_host is not None:
        lines += ["", "[[mqtt]]", _key("host", answers.mqtt_host, f"readings come in on jartide/{answers.jar}/reading")]
        if answers.mqtt_user is not None:
            lines.append(_key("user", answers.mqtt_user))
            lines.append(
                _key("password_file", "mqtt_password", "a file beside this one, mode 600, the password on one line")
            )
    notices = [
        _key(name, value)
        for name, value in (("quiet_from", answers.quiet_from), ("quiet_to", answers.quiet_to))
        if value is not None
    ]
    if answers.address_file is not None:
        notices.append(_key("to_file", answers.address_file, "one notification address (apprise URL) a line, mode 600"))
    if notices:
        lines += ["", "[notices]", *notices]
    if answers.time_zone is not None:
        lines += ["", "[display]", _key("time_zone", answers.time_zone)]
    return "\n".join(lines) + "\n"


def problems_of(answers: Answers) -> list[str]:
    """What the reader of configs would say against it, a clause each."""
    return [problem for _, problem in settings_from(tomllib.loads(text_of(answers)))[1]]


def _key(name: str, value: object, comment: str = "") -> str:
    line = f"{name} = {toml_text(_plain(value))}"
    return f"{line:<26}# {comment}" if comment else line


def _plain(value: object) -> object:
    """150.0 -> 150, as people write it."""
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    return int(value) if isinstance(value, float) and value.is_integer() else value
