"""A config file becomes frozen settings, or errors naming line, key, value and what is allowed.

This module holds the schema: one class a table, one field a key, each with its unit in the name, its default and a
sentence. `monitor.config.reader` reads TOML into it. There is no setting that the program could work out by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from monitor.values import Geometry, Straight


@dataclass(frozen=True, slots=True, kw_only=True)
class JarSettings:
    """[[jar]]: one vessel under one sensor."""

    name: str
    empty_mm: float | None = None  # distance read over the empty jar; unknown: no levels, only changes
    geometry: Geometry = field(default_factory=Straight)
    rim_mm: float | None = None  # height of the rim above the inside bottom; unknown: the sensor counts
    sensor: Literal["optical", "ultrasonic"] = "optical"
    venting: Literal["open", "loose", "tight"] = "loose"  # ultrasonic only: how freely CO2 leaves the headspace
    flour: str | None = None  # what it is usually fed; a told feeding may say otherwise
    silent_after_min: float | None = None  # unknown: from the sampling that was seen
    # grams of flour to each gram of starter that a plan may go to. Below one part there is little to eat; beyond twenty
    # acid comes late and the flour's own flora competes with the starter's
    richest_ratio: float = 1.0
    leanest_ratio: float = 20.0
    cycle_h: float = 24.0  # how long a rise-and-fall should take; plans aim at it, overdue counts from it
    group: str | None = None  # the [[group]] whose keys it takes where it has none of its own


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceSettings:
    """[[place]]: a proofer or retarder, which plans may set to a temperature within these."""

    name: str
    coolest_c: float = 4.0  # a refrigerator's
    warmest_c: float = 32.0  # a proofer's


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialSettings:
    """[[serial]]: one device on a serial line. `port` is a stable path, or a pattern (`/dev/serial/by-id/*`): the first
    by name that fits and opens is taken, and after a loss the same one or one that is new."""

    port: str
    baud: int = 115200
    jar: str | None = None  # for lines that name none
    bare_lines: bool = False  # accept `distance,temperature`


READ_UNITS: dict[str, tuple[str, ...]] = {
    "distance": ("mm", "cm", "m", "in"),
    "echo": ("us", "ms", "s"),
    "temperature": ("degC", "degF", "K"),
    "air": ("degC", "degF", "K"),
    "humidity": ("pct",),
    "uptime": ("ms", "s"),
    "time": (),
    "boot": (),
    "seq": (),
}
"""What `read` of [[mqtt]] may find in a device's own messages, each with its units, the default first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadField:
    """Where one quantity stands in a message: keys and places with dots between; "" is the whole payload."""

    path: str = ""
    unit: str | None = None  # default: the first of READ_UNITS
    unit_path: str | None = None  # where the message itself says C or F


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """[[mqtt]]: readings of one kind from one broker; tables with the same connection share it. Secrets come from the
    environment or a file, never from here."""

    host: str
    port: int | None = None  # 8883 with TLS, 1883 without
    protocol: Literal["5", "3.1.1"] = "5"
    tls: bool | None = None  # default: on, unless the host is this machine
    ca_file: Path | None = None
    client_cert_file: Path | None = None
    client_key_file: Path | None = None
    user: str | None = None
    password_env: str | None = None
    password_file: Path | None = None
    client_id: str | None = None  # default: jartide- and a token kept in the store
    topic: str = "jartide/{jar}/reading"
    jar: str | None = None  # for messages that name none
    read: tuple[tuple[str, ReadField], ...] = ()  # where the quantities stand; none: messages of our own form
    status_topic: str = "jartide/status"
    state_topic: str | None = "jartide/{jar}/state"  # what is believed, for other programs; "" or none: not published
    notice_topic: str | None = None  # notices as JSON as well
    command_topic: str | None = None  # where feedings and notes may be told; none: nowhere
    home_assistant: str | None = None  # the prefix under which Home Assistant looks for devices; none: not described

    @property
    def connection(self) -> tuple[object, ...]:
        """What two tables must have in common to share a connection."""
        return (
            self.host, self.port, self.protocol, self.tls, self.ca_file, self.client_cert_file, self.client_key_file,
            self.user, self.password_env, self.password_file, self.client_id,
        )  # fmt: skip


SOURCES: dict[str, type] = {"serial": SerialSettings, "mqtt": MqttSettings}
"""The tables that each name a source. `Settings` has a field of each name; `monitor.sources` knows how to open them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreSettings:
    """[store]: the one SQLite file."""

    path: Path = Path("jartide.db")
    thin_after_days: int | None = None  # older readings are thinned to 5 min means; none: kept for ever


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeSettings:
    """[notices]: whom to tell, and when not to."""

    to_env: tuple[str, ...] = ()  # environment variables that each hold one notification address (an apprise URL)
    to_file: Path | None = None  # or a file with one address a line
    console: bool = True
    quiet_from: str | None = None  # local "22:30"
    quiet_to: str | None = None
    quiet_except: tuple[str, ...] = ()  # kinds that may disturb the night
    repeat_h: float = 3.0  # "feed now" again, until a feeding is seen or told
    leave_out: tuple[str, ...] = ()  # kinds that are not wanted
    peak_ahead_h: float | None = None  # "about two hours to the peak"
    daily_summary: str | None = None  # local "08:00"
    too_cold_c: float = 16.0
    too_hot_c: float = 32.0


@dataclass(frozen=True, slots=True, kw_only=True)
class InfluxSettings:
    """[influx]: a time-series server as a second home for readings and events. Off unless given."""

    url: str
    org: str = ""
    bucket: str = "jartide"
    token_env: str | None = None
    token_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DisplaySettings:
    """[display]: units and time zone for people; inside, all is degC, mm, g and UTC."""

    temperature: Literal["degC", "degF"] = "degC"
    length: Literal["mm", "in"] = "mm"
    weight: Literal["g", "oz"] = "g"
    time_zone: str | None = None  # default: the machine's


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSettings:
    """[page]: the live page. Secrets come from the environment or a file, never from here."""

    on: bool = True
    host: str = "127.0.0.1"  # the address it listens at; beyond this machine only with a password or a token
    port: int = 8140
    password_env: str | None = None  # for people
    password_file: Path | None = None
    token_env: str | None = None  # for programs: Authorization: Bearer
    token_file: Path | None = None
    cert_file: Path | None = None  # with key_file: the page speaks TLS itself, and is opened with https://
    key_file: Path | None = None
    names: tuple[str, ...] = ()  # further names that it is reached by, such as a proxy's
    address: str | None = None  # where people reach it, for links in notices: "https://jar.example.org/jartide"
    proxies: tuple[str, ...] = ()  # addresses of proxies whose word on who asks (X-Forwarded-For, -Proto) is believed
    prefix: str = ""  # "/jartide", where a proxy hands the path on as it is
    read_only: bool = False
    others: bool = False  # also list the jars of other daemons, from the states that they publish


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The whole config file."""

    jars: tuple[JarSettings, ...]
    share: str | None = None  # "2/4": the second of four daemons that take shares of the jars; none: all jars
    elsewhere: frozenset[str] = frozenset()  # jars of the file that another share watches
    place: tuple[PlaceSettings, ...] = ()
    serial: tuple[SerialSettings, ...] = ()
    mqtt: tuple[MqttSettings, ...] = ()
    store: StoreSettings = field(default_factory=StoreSettings)
    notices: NoticeSettings = field(default_factory=NoticeSettings)
    influx: InfluxSettings | None = None
    display: DisplaySettings = field(default_factory=DisplaySettings)
    page: PageSettings = field(default_factory=PageSettings)

    @property
    def any_source(self) -> bool:
        """Whether there is a source that readings may come from."""
        return any(getattr(self, name) for name in SOURCES)

    def jar(self, name: str) -> JarSettings:
        """The settings of one jar. Raises KeyError when no such jar is configured."""
        for jar in self.jars:
            if jar.name == name:
                return jar
        raise KeyError(name)
