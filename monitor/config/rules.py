"""What a setting may be beyond its type: limits, texts of a certain form, and settings that contradict one another.

Pure. `monitor.config.reader` reads the TOML and calls `broken_rules`; a problem is named by its place there, so that
the reader can add the file, the line and the value.
"""

from __future__ import annotations

import difflib
import ipaddress
import re
import zoneinfo
from collections.abc import Iterator, Sequence
from dataclasses import fields
from pathlib import PurePath
from urllib.parse import urlsplit

from monitor.config.toml_lines import Where
from monitor.core.vessel.geometry import problem_with
from monitor.settings import (
    InfluxSettings,
    JarSettings,
    MqttSettings,
    NoticeSettings,
    PageSettings,
    PlaceSettings,
    SerialSettings,
    Settings,
)

Problem = tuple[Where, str]
"""Where, and what is wrong and what would be right, as one clause."""

# A name stands in MQTT topics, file names, CSV cells and in RUN:CYCLE: no `/ + # :`, no spaces, and not endless.
JAR_NAME = re.compile(r"[^\W_][\w.-]{0,39}", re.ASCII)
CLOCK_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
# Capitals only, as is the custom, so that a password that was put here by mistake is recognised.
VARIABLE = re.compile(r"[A-Z_][A-Z0-9_]*")
HOST_NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")
PREFIX = re.compile(r"(/[A-Za-z0-9._~-]+)+")

# (lowest, highest, unit). Each keeps out a wrong unit or a slip of the finger, not a taste.
LIMITS: dict[str, dict[str, tuple[float, float, str]]] = {
    "jar": {
        "empty_mm": (20, 2000, "mm"),  # the deepest vessel that people ferment in, plus a stand for the sensor
        "rim_mm": (20, 1000, "mm"),
        "silent_after_min": (1, 24 * 60, "min"),
        "richest_ratio": (0.1, 20, ""),  # 2:1:1 for a stalled young one is 0.5
        "leanest_ratio": (1, 200, ""),
        "cycle_h": (2, 7 * 24, "h"),  # the fastest warm 1:1:1, and a week in the fridge
    },
    "place": {"coolest_c": (-2, 40, "degC"), "warmest_c": (-2, 40, "degC")},  # retarder to proofer
    "serial": {"baud": (300, 4_000_000, "Bd")},
    "mqtt": {"port": (1, 65535, "")},
    "store": {"thin_after_days": (1, 36500, "days")},
    "notices": {
        "repeat_h": (0.25, 48, "h"),
        "peak_ahead_h": (0.25, 24, "h"),
        "too_cold_c": (-5, 30, "degC"),
        "too_hot_c": (15, 60, "degC"),
    },
    "page": {"port": (1, 65535, "")},
}


MOST_PLACE = 40  # characters of a name that is used in sentences
DEFAULTS = {field.name: field.default for field in fields(MqttSettings)}


def broken_rules(settings: Settings) -> Iterator[Problem]:
    """Everything that cannot work in settings whose keys and types are right."""
    if not settings.jars:
        yield ("jar",), 'there is no jar: add a [[jar]] table with at least name = "..."'
    for index, jar in enumerate(settings.jars):
        yield from _placed(("jar", index), _jar(jar))
    for index, place in enumerate(settings.place):
        yield from _placed(("place", index), _place(place))
    yield from _twins("place", [place.name for place in settings.place], "name", "two places with one name")
    for index, serial in enumerate(settings.serial):
        yield from _placed(("serial", index), _serial(serial, settings))
    for index, mqtt in enumerate(settings.mqtt):
        yield from _placed(("mqtt", index), _mqtt(mqtt, settings))
    yield from _placed(("store",), _limits("store", settings.store))
    yield from _placed(("notices",), _notices(settings.notices))
    if settings.influx is not None:
        yield from _placed(("influx",), _influx(settings.influx))
    yield from _placed(("page",), _page(settings.page))
    zone = settings.display.time_zone
    if zone is not None and not _is_zone(zone):
        yield ("display", "time_zone"), "must be a zone name such as Europe/Vienna"
    yield from _twins("jar", [jar.name for jar in settings.jars], "name", "two jars with one name")
    yield from _twins("serial", [serial.port for serial in settings.serial], "port", "two [[serial]] on one port")
    yield from _shared(settings.mqtt)
    topics = [(mqtt.host, mqtt.port, mqtt.topic, mqtt.jar, mqtt.read) for mqtt in settings.mqtt]
    yield from _twins("mqtt", topics, "topic", "two [[mqtt]] would take in the same messages of this broker twice")


Clause = tuple[str, str]
"""A key, and what is wrong with its value."""


def _jar(jar: JarSettings) -> Iterator[Clause]:
    if not JAR_NAME.fullmatch(jar.name):
        yield (
            "name",
            "must be 1 to 40 of A-Z a-z 0-9 . _ - and begin with a letter or digit (it is part of MQTT topics)",
        )
    yield from _limits("jar", jar)
    if wrong := problem_with(jar.geometry):
        yield "geometry", wrong
    if jar.rim_mm is not None and jar.empty_mm is not None and jar.rim_mm > jar.empty_mm:
        yield (
            "rim_mm",
            f"the rim cannot be above the sensor, which is {jar.empty_mm:g} mm (empty_mm) above the inside bottom; if "
            "the sensor hangs below the rim, give its height instead",
        )


def _place(place: PlaceSettings) -> Iterator[Clause]:
    if not place.name.strip() or len(place.name) > MOST_PLACE:
        yield "name", f"must be what you call it, in 1 to {MOST_PLACE} characters, such as proofer"
    yield from _limits("place", place)
    if place.warmest_c < place.coolest_c:
        yield "warmest_c", f"must not be below coolest_c ({place.coolest_c:g})"


def _serial(serial: SerialSettings, settings: Settings) -> Iterator[Clause]:
    yield from _limits("serial", serial)
    if not serial.port:
        yield "port", "must be a device such as /dev/serial/by-id/usb-..., or a pattern that fits it"
    if re.search(r"//[^/]*@", serial.port):
        yield (
            "port",
            "must not contain a user or password: they would appear in logs, and no port of this kind asks for them",
        )
    if serial.jar is not None:
        yield from _known_jar(serial.jar, settings)
    elif serial.bare_lines and len(settings.jars) > 1:
        yield "bare_lines", "a bare `distance,temperature` line names no jar: say which with jar = ..."


# branches: one rule after the other, so that each is easy to find
def _mqtt(mqtt: MqttSettings, settings: Settings) -> Iterator[Clause]:
    yield from _limits("mqtt", mqtt)
    if not mqtt.host or re.search(r"[/\s]", mqtt.host) or "@" in mqtt.host:
        yield "host", "must be a host name or an address alone, such as broker.lan"
    if mqtt.tls is False:
        for key in ("ca_file", "client_cert_file", "client_key_file"):
            if getattr(mqtt, key) is not None:
                yield key, "is of no use with tls = false"
    if mqtt.client_key_file is not None and mqtt.client_cert_file is None:
        yield "client_key_file", "needs client_cert_file beside it"
    if mqtt.user is None and (mqtt.password_env or mqtt.password_file):
        yield "password_env" if mqtt.password_env else "password_file", "needs user beside it"
    yield from _one_secret(mqtt.password_env, mqtt.password_file, "password")
    if mqtt.client_id == "" or (mqtt.client_id and len(mqtt.client_id.encode()) > 23):
        # MQTT 3.1.1 section 3.1.3.1: a server must accept 1 to 23 bytes, and may refuse more
        yield "client_id", "must be 1 to 23 bytes; leave it out, and one is made and kept"
    yield from _topic("topic", mqtt.topic, per_jar=None)
    if mqtt.jar is not None:
        yield from _known_jar(mqtt.jar, settings)
    elif mqtt.read and "{jar}" not in mqtt.topic and len(settings.jars) > 1:
        yield "jar", "must say which jar these messages are for, or topic holds {jar}"
    yield from _topic("status_topic", mqtt.status_topic, per_jar=False)
    if mqtt.state_topic:
        yield from _topic("state_topic", mqtt.state_topic, per_jar=True if len(settings.jars) > 1 else None)
    if mqtt.notice_topic:
        yield from _topic("notice_topic", mqtt.notice_topic, per_jar=None)
    if mqtt.command_topic:
        yield from _topic("command_topic", mqtt.command_topic, per_jar=True if len(settings.jars) > 1 else None)
    if mqtt.home_assistant is not None:
        yield from _topic("home_assistant", mqtt.home_assistant, per_jar=False)
        if not mqtt.state_topic:
            yield "home_assistant", "needs state_topic: its entities are read from there"
    for key in ("status_topic", "state_topic", "notice_topic", "command_topic"):
        if getattr(mqtt, key) == mqtt.topic:
            yield key, "must differ from topic, or what is published would be read as a reading"


def _shared(tables: Sequence[MqttSettings]) -> Iterator[Problem]:
    """Tables of one broker: what one client id stands for, and what only the first of a connection may say."""
    first: dict[tuple[object, ...], int] = {}
    named: dict[tuple[object, ...], int] = {}
    for index, mqtt in enumerate(tables):
        at = first.setdefault(mqtt.connection, index)
        other = named.setdefault((mqtt.host, mqtt.port, mqtt.client_id), index) if mqtt.client_id else index
        if tables[other].connection != mqtt.connection:
            yield (
                ("mqtt", index, "client_id"),
                f"two [[mqtt]] would disconnect each other from this broker (the other is number {other + 1} of "
                f"{len(tables)}): give each its own, or the same login and TLS keys",
            )
        for key in ("status_topic", "state_topic", "notice_topic", "command_topic", "home_assistant"):
            if at != index and getattr(mqtt, key) not in (getattr(tables[at], key), DEFAULTS[key]):
                yield ("mqtt", index, key), f"belongs in the first [[mqtt]] of this connection (number {at + 1})"


def _known_kind(key: str, name: str) -> Iterator[Clause]:
    from monitor.core.notify.conditions import Kind  # brings half of the core, and few configs name a kind

    if name not in list(Kind):
        near = difflib.get_close_matches(name, Kind, n=1)
        known = f"did you mean {near[0]}? There are" if near else "there are"
        yield key, f"there is no kind {name!r}; {known} {', '.join(Kind)}"


def _notices(notices: NoticeSettings) -> Iterator[Clause]:
    yield from _limits("notices", notices)
    for name in notices.to_env:
        if not VARIABLE.fullmatch(name):
            yield "to_env", "must be names of environment variables (A-Z 0-9 _); put the address itself in the variable"
    for key in ("quiet_except", "leave_out"):
        for name in getattr(notices, key):
            yield from _known_kind(key, name)
    for key in ("quiet_from", "quiet_to", "daily_summary"):
        text = getattr(notices, key)
        if text is not None and not CLOCK_TIME.fullmatch(text):
            yield key, 'must be a local time of day, "00:00" to "23:59"'
    if (notices.quiet_from is None) != (notices.quiet_to is None):
        given, other = ("quiet_from", "quiet_to") if notices.quiet_to is None else ("quiet_to", "quiet_from")
        yield given, f"needs {other} beside it"
    elif notices.quiet_from is not None and notices.quiet_from == notices.quiet_to:
        yield "quiet_to", "equals quiet_from, which could mean no quiet hours or all day: leave both out, or change one"
    if notices.too_cold_c >= notices.too_hot_c:
        yield "too_cold_c", f"must be below too_hot_c ({notices.too_hot_c:g})"


def _influx(influx: InfluxSettings) -> Iterator[Clause]:
    address = urlsplit(influx.url)
    if address.scheme not in ("http", "https") or not address.hostname:
        yield "url", "must be http://host:port or https://host:port"
    elif address.username or address.password:
        yield (
            "url",
            "must not contain a user or password: put the token in a file or a variable (token_file, token_env)",
        )
    yield from _one_secret(influx.token_env, influx.token_file, "token")


def _page(page: PageSettings) -> Iterator[Clause]:
    yield from _limits("page", page)
    yield from _one_secret(page.password_env, page.password_file, "password")
    yield from _one_secret(page.token_env, page.token_file, "token")
    locked = any((page.password_env, page.password_file, page.token_env, page.token_file))
    if not page.host or re.search(r"[/\s\[\]]", page.host):
        yield "host", "must be an address to listen on, such as 127.0.0.1 or 0.0.0.0"
    elif page.on and not locked and not here_only(page.host):
        yield (
            "host",
            "anyone on the network could use the page: set password_file or password_env too (or token_file or "
            "token_env, for programs), or keep 127.0.0.1",
        )
    if (page.cert_file is None) != (page.key_file is None):
        yield "key_file", "cert_file and key_file belong together: the certificate and its key"
    for name in page.names:
        if not HOST_NAME.fullmatch(name):
            yield "names", "must be host names only, such as jar.example.org, without a port or https://"
    if page.address is not None:
        found = urlsplit(page.address)
        if found.scheme not in ("http", "https") or not found.hostname or found.username or found.query:
            yield "address", "must be what people open, such as http://kitchen.local:8140"
    for proxy in page.proxies:
        try:
            ipaddress.ip_network(proxy)
        except ValueError:
            yield "proxies", "must be addresses of proxies, such as 127.0.0.1, or of a network, such as 10.0.3.0/24"
    if page.prefix and not PREFIX.fullmatch(page.prefix):
        yield "prefix", "must begin with / and not end with it, such as /jartide"


def here_only(host: str) -> bool:
    """Whether an address to listen at cannot be reached from the network."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _one_secret(env: str | None, file: PurePath | None, what: str) -> Iterator[Clause]:
    if env is not None and not VARIABLE.fullmatch(env):
        yield (
            f"{what}_env",
            f"is the name of an environment variable (A-Z 0-9 _); the {what} itself must not be in this file",
        )
    if env is not None and file is not None:
        yield f"{what}_env", f"give {what}_env or {what}_file, not both"


def _topic(key: str, topic: str, *, per_jar: bool | None) -> Iterator[Clause]:
    """MQTT 3.1.1 sections 1.5.3 and 4.7: names hold no wildcard and no NUL, 1 to 65535 bytes; `$...` is the broker's.
    `per_jar`: True when {jar} must be there, False when it must not, None when either will do."""
    levels = topic.split("/")
    if not topic or topic.startswith("$") or re.search(r"[+#\x00]", topic) or len(topic.encode()) > 65000:
        yield key, "must be an MQTT topic without + and # and not begin with $"
    elif re.search(r"[{}]", topic.replace("{jar}", "")) or any(
        "{jar}" in level and level != "{jar}" for level in levels
    ):
        yield key, "may hold {jar} as one whole level, such as jartide/{jar}/reading, and no other braces"
    elif levels.count("{jar}") > 1:
        yield key, "may hold {jar} once"
    elif per_jar is True and "{jar}" not in levels:
        yield key, "must hold {jar}, because there are several jars"
    elif per_jar is False and "{jar}" in levels:
        yield key, "is the daemon's own: without {jar}"


def _known_jar(name: str, settings: Settings) -> Iterator[Clause]:
    names = [jar.name for jar in settings.jars]
    if name not in names:
        yield "jar", f"there is no [[jar]] of that name; there is {', '.join(names) or 'none'}"


def _is_zone(name: str) -> bool:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):  # unknown; absolute or with ..; a folder of zones
        return False
    return True


def _limits(table: str, settings: object) -> Iterator[Clause]:
    for key, (low, high, unit) in LIMITS.get(table, {}).items():
        value = getattr(settings, key)
        if value is not None and not low <= value <= high:
            yield key, f"must be {low:.10g} to {high:.10g} {unit}".rstrip()


def _placed(where: Where, clauses: Iterator[Clause]) -> Iterator[Problem]:
    return (((*where, key), text) for key, text in clauses)


def _twins(table: str, values: Sequence[object], key: str, text: str) -> Iterator[Problem]:
    first: dict[object, int] = {}  # a dictionary, as there may be twenty thousand jars
    for index, value in enumerate(values):
        if value and first.setdefault(value, index) != index:
            yield (table, index, key), f"{text} (the other is number {first[value] + 1} of {len(values)})"
