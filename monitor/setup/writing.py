"""Turns the answers of the guided set-up into a config, with the secrets in files of their own beside it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.config.first_config import MQTT_PASSWORD, Answers, problems_of, text_of
from monitor.host import file_modes
from monitor.runs.report_body import Refused, table_of
from monitor.setup.speaking import Speaking

PASSWORD, ADDRESSES = "page_password", "notice_addresses"
KEYS = (
    "sensor", "jar", "flour", "empty_mm", "rim_mm", "geometry", "ultrasonic", "quiet_from", "quiet_to", "address",
    "page_password",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A config as text, and what goes into files beside it: name -> contents."""

    text: str
    secrets: dict[str, str]


def made(body: object, speaking: Speaking, broker_passwords: dict[str, str]) -> Made:
    """The config from a body of answers. Raises Refused with what the config reader finds wrong."""
    given = table_of(body, KEYS)
    secrets: dict[str, str] = {}
    found = speaking.candidate(str(given.get("sensor"))) if given.get("sensor") is not None else None
    table: dict[str, Any] = dict(found.table) if found is not None else {}
    if found is not None and table.get("user") and broker_passwords.get(str(table["host"])):
        secrets[MQTT_PASSWORD] = broker_passwords[str(table["host"])] + "\n"
    for key, file in (("page_password", PASSWORD), ("address", ADDRESSES)):
        if _words(given, key):
            secrets[file] = str(given[key]).strip() + "\n"
    answers = Answers(
        jar=_words(given, "jar") or "rye",
        empty_mm=_number(given, "empty_mm"),
        rim_mm=_number(given, "rim_mm"),
        geometry=given.get("geometry") or None,
        flour=_words(given, "flour"),
        sensor="ultrasonic" if given.get("ultrasonic") else "optical",
        serial=table if found is not None and found.kind == "serial" else None,
        mqtt=table if found is not None and found.kind == "mqtt" else None,
        quiet_from=_words(given, "quiet_from"),
        quiet_to=_words(given, "quiet_to"),
        address_file=ADDRESSES if ADDRESSES in secrets else None,
        page_password_file=PASSWORD if PASSWORD in secrets else None,
    )
    problems = problems_of(answers)
    if problems:
        raise Refused("; ".join(problems))
    return Made(text=text_of(answers), secrets=secrets)


def write(wanted: Made, config: Path) -> None:
    """Write all files; none is overwritten. Raises Refused."""
    beside = {config.parent / name: contents for name, contents in wanted.secrets.items()}
    for path in (config, *beside):
        if path.exists():
            raise Refused(
                f"{path} exists already and stays as it is: move it away, or start with another --config", 409
            )
    try:
        config.parent.mkdir(parents=True, exist_ok=True)
        for path, contents in beside.items():
            with os.fdopen(file_modes.make(path), "w", encoding="utf-8") as file:
                file.write(contents)
        with config.open("x", encoding="utf-8") as file:
            file.write(wanted.text)
    except OSError as error:
        raise Refused(f"{config}: cannot be written: {error.strerror}", 409) from None


def _words(given: Any, key: str) -> str | None:
    value = given.get(key)
    if value is None or value == "":
        return None
    if not isinstance(value, str) or not value.isprintable() or len(value) > 2000:
        raise Refused(f"{key}: must be one line of text")
    return value.strip() or None


def _number(given: Any, key: str) -> float | None:
    value = given.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Refused(f"{key}: must be a number")
    return float(value)
