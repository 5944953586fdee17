"""Checks what the machine must provide: room and permission for the store, a right clock, secrets, addresses for
notices.

Reads and tries things; changes nothing except a mark in the store, which proves that it can be written.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from monitor.check import Finding, State
from monitor.core.display.local_time import minutes_of
from monitor.host.secret import SecretError, addresses, exposed, secret
from monitor.host.time_zone import display
from monitor.runs import lost_readings, phones
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import Settings
from monitor.values import DAY_S

EARLIEST_S = datetime(2026, 1, 1, tzinfo=UTC).timestamp()  # before this the program did not exist
LOOK_BACK_S = 7 * DAY_S  # older losses say nothing about how things are set up now
TIGHT_BYTES, FULL_BYTES = 500e6, 50e6
JAR_DAY_BYTES = 200 * 8640  # a committed reading takes up to 200 bytes; one each 10 s
HTTP_S = 5.0
STA_UNSYNC = 0x40  # adjtimex(2)


def store(settings: Settings) -> Iterator[Finding]:
    """Can the store be written, and for how long?"""
    path = settings.store.path
    folder = path.parent
    lost = None
    try:
        if path.exists():
            with Store.join(path) as there:
                now_s = time.time()
                there.set_meta("checked", f"{now_s:.0f}")
                lost = lost_readings.sentence(there.missing(now_s - LOOK_BACK_S), now_s, display(settings.display))
        else:
            while not folder.exists():  # `jartide watch` will make it
                folder = folder.parent
            with tempfile.NamedTemporaryFile(dir=folder, prefix=".jartide-check-"):
                pass
    except StoreTrouble as error:
        yield Finding("store", "wrong", str(error))
        return
    except OSError as error:
        yield Finding(
            "store", "wrong", f"{path}: {folder} cannot be written ({error.strerror}): change the path or its owner"
        )
        return
    free = shutil.disk_usage(folder).free
    days = free / (JAR_DAY_BYTES * max(1, len(settings.jars)))
    room = f"{path}: {free / 1e9:.1f} GB free, enough for {_days(days)} at one reading every 10 s"
    state: State = "wrong" if free < FULL_BYTES else "note" if free < TIGHT_BYTES else "ok"
    yield Finding("store", state, room if state == "ok" else f"{room}: make room")
    if lost is not None:
        yield Finding("readings", "note", f"{lost}. {lost_readings.CURE}")


def clock(settings: Settings) -> Iterator[Finding]:
    """Is the time right, and kept right? And which local time do quiet hours mean?"""
    now_s = time.time()
    if now_s < EARLIEST_S:
        yield Finding(
            "clock", "wrong", f"it says {datetime.fromtimestamp(now_s, UTC):%Y-%m-%d}: set it, by NTP if you can"
        )
        return
    shown = display(settings.display).clock(now_s, now_s)
    zone = settings.display.time_zone or "this machine's time zone"
    if _synchronised() is False:
        yield Finding(
            "clock", "note", f"{shown} in {zone}, but no time service keeps it right: `timedatectl set-ntp true`"
        )
    else:
        yield Finding("clock", "ok", f"{shown} in {zone}")


def secrets(settings: Settings) -> Iterator[Finding]:
    """Is every password, token, certificate and address there, and can nobody else read it?"""
    wanted: list[tuple[str, str | None, Path | None]] = []
    for mqtt in settings.mqtt:
        wanted.append((f"password for {mqtt.host}", mqtt.password_env, mqtt.password_file))
        for file in (mqtt.ca_file, mqtt.client_cert_file, mqtt.client_key_file):
            if file is not None and not os.access(file, os.R_OK):
                yield Finding(
                    "secrets", "wrong", f"{file} is not there or cannot be read (certificate for {mqtt.host})"
                )
    if settings.influx is not None:
        wanted.append(("token for the time-series server", settings.influx.token_env, settings.influx.token_file))
    for what, env, file in wanted:
        try:
            secret(env=env, file=file, what=what)
        except SecretError as error:
            yield Finding("secrets", "wrong", str(error))
    keys = [mqtt.client_key_file for mqtt in settings.mqtt]
    for file in {*(file for _, _, file in wanted), *keys, settings.notices.to_file} - {None}:
        if file is not None and (sentence := exposed(file)):
            yield Finding("secrets", "note", sentence)


# branches: one finding after the other
def notices(settings: Settings, *, send_test: bool) -> Iterator[Finding]:
    """Is there an address for notices? With `send_test` each one gets a message."""
    wanted = settings.notices
    try:
        found = addresses(envs=wanted.to_env, file=wanted.to_file)
    except SecretError as error:
        yield Finding("notices", "wrong", str(error))
        return
    by_topic = any(mqtt.notice_topic for mqtt in settings.mqtt)
    on_phones = list(_phones(settings, send_test=send_test))
    yield from on_phones
    if not found and not by_topic and not on_phones:
        told = "are only printed where the daemon runs" if wanted.console else "go nowhere"
        state: State = "note" if wanted.console and not send_test else "wrong"
        sent = "no test message was sent, there is nowhere to send it; " if send_test else ""
        where = "put addresses (Apprise URLs, one per line) in a file and name it in [notices] to_file"
        yield Finding("notices", state, f"{sent}notices {told}: to get them elsewhere, {where}, or use to_env")
    elif send_test and found:
        from monitor.sinks.apprise_channel import send_test as send

        for tested in send(found):
            if tested.ok:
                yield Finding("notices", "ok", f"a test message went to {tested.shown}: did it arrive?")
            else:
                yield Finding("notices", "wrong", f"no test message to {tested.shown}: {tested.reason}")
    elif found:
        many = f"{len(found)} address{'es' if len(found) > 1 else ''}"
        yield Finding("notices", "ok", f"{many}; `jartide check --send-test` sends to each")
    if wanted.quiet_from and wanted.quiet_to and wanted.daily_summary:
        begin, end, at = map(minutes_of, (wanted.quiet_from, wanted.quiet_to, wanted.daily_summary))
        if (begin <= at < end) if begin < end else (at >= begin or at < end):
            yield Finding("notices", "note", "daily_summary is within the quiet hours and will come after them")


def _phones(settings: Settings, *, send_test: bool) -> Iterator[Finding]:
    """The phones that asked for notices on the page."""
    if not phones.offered(settings.page):
        return
    try:
        with Store.join(settings.store.path) as store:
            many = len(phones.phones(store))
    except StoreTrouble:
        return  # another check reports that
    if many == 0:
        return
    says = f"{many} phone{'s' if many > 1 else ''} by Web Push"
    if not send_test:
        yield Finding("notices", "ok", f"{says}; `jartide check --send-test` sends to each")
        return
    from monitor.sinks.push_channel import PushChannel

    channel = PushChannel(settings.store.path, settings.page.address, None)
    failure = channel.say("Jartide test", "This is a test. Notices about your starter will come this way.")
    if failure is None:
        yield Finding("notices", "ok", f"a test message went to {says}: did it arrive?")
    else:
        yield Finding("notices", "wrong", f"no test message to {says}: {failure.reason}")


def mirror(settings: Settings) -> Iterator[Finding]:
    """Does the time-series server answer?"""
    if settings.influx is None:
        return
    url = settings.influx.url
    try:
        with urllib.request.urlopen(f"{url.rstrip('/')}/ping", timeout=HTTP_S):
            pass
    except urllib.error.HTTPError:
        pass  # it speaks HTTP; the first write shows whether the token is right
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", error)
        yield Finding("influx", "wrong", f"{url} does not answer ({reason}); readings wait in the store meanwhile")
        return
    yield Finding("influx", "ok", f"{url} answers")


def _days(days: float) -> str:
    return f"{days / 365.25:.0f} years" if days > 730 else f"{days:.0f} days"


class _Timex(ctypes.Structure):
    """struct timex of adjtimex(2): its beginning, and more than enough room for the rest."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 512),
    )


def _synchronised() -> bool | None:
    """Whether a time service keeps the kernel's clock right; None where that cannot be asked."""
    timex = _Timex()  # modes = 0: only read
    try:
        if ctypes.CDLL(None).adjtimex(ctypes.byref(timex)) < 0:
            return None
    except (OSError, AttributeError):
        return None
    return not timex.status & STA_UNSYNC
