"""One notification address (an apprise URL: mail, a push service, a webhook) as a channel, and the test of one.

The address is a secret as a whole: a path or a host may be the token. So none of it is shown but scheme and host as
apprise itself blanks them; apprise's own log, which at DEBUG prints credentials, goes nowhere; and a failure's reason
is one of our own sentences, made from a status code or the kind of error. apprise (25 MB, 1 s) is imported when the
first message is sent.
"""

from __future__ import annotations

import hashlib
import logging
import re
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from monitor.runs.outbox import Kept
from monitor.sinks.courier import LONGEST_WAIT_S, Failure, message

CONNECT_S, READ_S = 10.0, 20.0  # at most, per connection; a phone network needs 2 s, a busy mail server 10
TOO_MANY_WAIT_S = 300.0  # "429 Too Many Requests"; apprise does not hand on Retry-After, services ask for 1 to 5 min

_local = threading.local()
_loading = threading.Lock()


def _hear(record: logging.LogRecord) -> bool:
    """A filter on apprise's logger: keeps what it says while this thread is sending, to learn the reason from, and
    lets nothing through to any handler."""
    heard: list[str] | None = getattr(_local, "heard", None)
    if heard is not None:
        heard.append(record.getMessage())
    return False


def _not_ours(_record: logging.LogRecord) -> bool:
    """A filter on the HTTP library's logger: holds back what it says while one of our threads is sending, as its lines
    hold the path."""
    return getattr(_local, "heard", None) is None


class AppriseChannel:
    """See the module. Not thread-safe: one thread sends."""

    def __init__(self, address: str) -> None:
        self._address = address
        self._plugin: Any = None
        scheme = address.partition("://")[0]
        self._scheme = scheme.lower() if re.fullmatch(r"[A-Za-z0-9.+-]{1,20}", scheme) else "address"
        self.key = f"{self._scheme} {hashlib.blake2b(address.encode(errors='replace'), digest_size=4).hexdigest()}"

    @property
    def shown(self) -> str:
        """Scheme and host, blanked; only the scheme before the first use."""
        if self._plugin is None:
            return f"{self._scheme}://…"
        return re.sub(r"^(.*?://[^/?]*).*$", r"\1", str(self._plugin.url(privacy=True)), flags=re.DOTALL)

    def send(self, together: Sequence[Kept]) -> Failure | None:
        """One message; blocks for about 30 s at most, unless the other end trickles."""
        return self.say(*message(together))

    def say(self, title: str, text: str) -> Failure | None:
        """Send a title and a plain text."""
        plugin = self._load()
        if plugin is None:
            reason = f"not an address that can be used (scheme {self._scheme})"
            return Failure(reason=reason, wait_s=LONGEST_WAIT_S)
        heard: list[str] = []
        _local.heard = heard
        try:
            # markup in a name stays text: apprise escapes it where a service takes HTML
            if plugin.notify(title=title, body=text, body_format="text"):
                return None
            return _failure(heard)
        except Exception as error:  # 177 services: whatever goes wrong in one must not end the courier
            return Failure(reason=f"failed with {type(error).__name__}")
        finally:
            _local.heard = None

    def _load(self) -> Any:
        if self._plugin is None:
            with _loading:
                _local.heard = []
                try:
                    self._plugin = _plugin(self._address)
                finally:
                    _local.heard = None
        return self._plugin


def _plugin(address: str) -> Any:
    """apprise's object for one address, with bounded waiting; None for an address that it does not understand."""
    logger = logging.getLogger("apprise")
    logger.setLevel(logging.DEBUG)
    logger.addFilter(_hear)
    logging.getLogger("urllib3.connectionpool").addFilter(_not_ours)
    import apprise

    # no pictures from elsewhere, nothing kept on disk
    asset = apprise.AppriseAsset(
        app_id="Jartide", app_desc="Jartide", app_url="", image_url_mask="", image_url_logo="", storage_mode="memory"
    )
    plugin = apprise.Apprise.instantiate(address, asset=asset)
    if not plugin:
        return None
    plugin.socket_connect_timeout = min(plugin.socket_connect_timeout or CONNECT_S, CONNECT_S)
    plugin.socket_read_timeout = min(plugin.socket_read_timeout or READ_S, READ_S)
    return plugin


_KNOWN = (
    ("timed out", "no answer in time"),
    ("refused", "connection refused"),
    ("CERTIFICATE", "its certificate is not trusted"),
    ("Name or service not known", "host name not found"),
    ("NameResolution", "host name not found"),
    ("name resolution", "host name not found"),
    ("reset by peer", "connection broken off"),
    ("closed", "connection broken off"),
)


def _failure(heard: Sequence[str]) -> Failure:
    """Why it failed, from what apprise logged; its own words are not repeated."""
    text = "\n".join(heard)
    if found := re.search(r"\berror=(\d{3})\b", text):
        return _refused_by_http(int(found[1]))
    if found := re.search(r"\((\d{3}), b?['\"]", text):  # smtplib: (535, b'5.7.8 Error: authentication failed')
        code = int(found[1])
        refused = 500 <= code < 600
        return Failure(reason=f"the mail server said {code}", wait_s=LONGEST_WAIT_S if refused else 0.0)
    for sign, reason in _KNOWN:
        if sign in text:
            return Failure(reason=reason)
    return Failure(reason="it could not be sent")


def _refused_by_http(code: int) -> Failure:
    phrase = f" {HTTPStatus(code).phrase}" if code in HTTPStatus._value2member_map_ else ""
    if code == 429:
        wait_s = TOO_MANY_WAIT_S
    elif code >= 500 or code == 408:
        wait_s = 0.0
    else:
        wait_s = LONGEST_WAIT_S  # 401, 403, 404 and the like: only a person can mend it
    return Failure(reason=f"HTTP {code}{phrase}", wait_s=wait_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tested:
    """One address after a test message: how it may be shown, whether it went out, and why not."""

    shown: str
    ok: bool
    reason: str


def send_test(addresses: Sequence[str]) -> list[Tested]:
    """Send a test message to each address; takes up to about 30 s for one that does not answer."""
    tested = []
    for address in addresses:
        channel = AppriseChannel(address)
        failure = channel.say("Jartide test", "This is a test. Notices about your starter will come this way.")
        tested.append(Tested(shown=channel.shown, ok=failure is None, reason=failure.reason if failure else ""))
    return tested
