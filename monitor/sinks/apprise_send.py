"""Sends one message to one notification address, in a process of its own: `python -P -m monitor.sinks.apprise_send`.

A JSON object with the address, title, text and waiting times comes on standard input, so that no secret is in a command
line or an environment; the answer goes to standard output as one line of JSON. The name of the address and the reason
of a failure contain no secret: apprise's own log, which prints credentials at DEBUG, is read here and goes nowhere, and
a reason is one of our own sentences, made from a status code or the kind of error.
"""

from __future__ import annotations

import json
import logging
import re
import signal
import sys
import tempfile
from collections.abc import Sequence
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.parse import quote

LASTING_S = 3600.0  # the wait after a refusal that only a person can end
TOO_MANY_WAIT_S = 300.0  # "429 Too Many Requests"; apprise does not hand on Retry-After, services ask for 1 to 5 min
KEPT_FOR_S = 43_200  # by a push service, for a phone that is off: "feed now" of last evening is of no use at noon
GONE = re.compile(r"Removing expired|\berror=40[13]\b")  # it has left (404, 410), or knows the house by another key
SMTP = re.compile(r"\(([45]\d\d), b?['\"]")  # as smtplib shows it: (535, b'5.7.8 Error: authentication failed')


class _Collected(logging.Handler):
    """Keeps what apprise logs, from which the reason is learnt."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(record.getMessage())


def send(order: dict[str, Any]) -> dict[str, Any]:
    """`{"shown", "reason", "wait_s"}` of one message: the reason is None when it went out."""
    log = _Collected()
    logger = logging.getLogger("apprise")
    logger.setLevel(logging.DEBUG)
    logger.addHandler(log)
    logger.propagate = False
    if "phones" in order:
        return {"phones": _to_phones(order, log)}
    plugin = _plugin(order)
    if plugin is None:
        return {"shown": None, "reason": "not a usable address", "wait_s": LASTING_S}
    shown = re.sub(r"^(.*?://[^/?]*).*$", r"\1", str(plugin.url(privacy=True)), flags=re.DOTALL)
    reason: str | None
    try:
        # markup in a name stays text: apprise escapes it where a service takes HTML
        done = plugin.notify(title=order["title"], body=order["text"], body_format="text")
        reason, wait_s = (None, 0.0) if done else _failure(log.lines, order["address"])
    except Exception as error:  # with 177 services, whatever goes wrong in one is a failure like any other
        reason, wait_s = f"failed with {type(error).__name__}", 0.0
    return {"shown": shown, "reason": reason, "wait_s": wait_s}


def _to_phones(order: dict[str, Any], log: _Collected) -> dict[str, dict[str, Any]]:
    """Web Push: endpoint -> reason (None: it was taken) and whether the phone is gone for good. Key and keys lie in a
    folder of this process's own while it sends, as apprise reads them from files."""
    import apprise

    message = json.dumps({key: order[key] for key in ("title", "text", "link", "button")}, ensure_ascii=False)
    out: dict[str, dict[str, Any]] = {}
    with tempfile.TemporaryDirectory() as folder:
        key, phones = Path(folder) / "key.pem", Path(folder) / "phones.json"
        key.write_text(order["key"])
        phones.write_text(json.dumps({str(n): phone for n, phone in enumerate(order["phones"])}))
        for n, phone in enumerate(order["phones"]):
            log.lines.clear()
            plugin: Any = apprise.Apprise.instantiate(
                {"schema": "vapid", "subscriber": order["sender"], "targets": [str(n)], "keyfile": str(key),
                 "subfile": str(phones), "include_image": False},
                asset=_asset(),
            )  # fmt: skip
            reason: str | None = "apprise cannot send it: is the extra push installed?"
            if plugin:
                _bound(plugin, order)
                plugin.ttl = KEPT_FOR_S  # apprise's own check allows a minute, RFC 8030 any time
                try:
                    reason = None if plugin.notify(body=message) else _failure(log.lines, "vapid")[0]
                except Exception as error:  # a key that is none
                    reason = f"failed with {type(error).__name__}"
            gone = bool(GONE.search("\n".join(log.lines)))
            out[phone["endpoint"]] = {"reason": reason, "gone": gone}
    return out


def _asset() -> Any:
    import apprise

    # no pictures from elsewhere, nothing kept on disk
    return apprise.AppriseAsset(
        app_id="Jartide", app_desc="Jartide", app_url="", image_url_mask="", image_url_logo="", storage_mode="memory"
    )


def _bound(plugin: Any, order: dict[str, Any]) -> None:
    plugin.socket_connect_timeout = min(plugin.socket_connect_timeout or order["connect_s"], order["connect_s"])
    plugin.socket_read_timeout = min(plugin.socket_read_timeout or order["read_s"], order["read_s"])


def _plugin(order: dict[str, Any]) -> Any:
    """apprise's object for the address, with bounded waiting; None for an address that it does not understand."""
    import apprise

    plugin: Any = apprise.Apprise.instantiate(_with_button(order["address"], order.get("button")), asset=_asset())
    if not plugin:
        return None
    for tapped in ("click", "supplemental_url"):  # as services with a link of their own call it: ntfy, Pushover
        if order.get("link") and getattr(plugin, tapped, "") is None:
            setattr(plugin, tapped, order["link"])
    _bound(plugin, order)
    return plugin


def _with_button(address: str, button: str | None) -> str:
    """ntfy's form of a button (https://docs.ntfy.sh/publish/#action-buttons); others have none."""
    if button is None or not re.match(r"ntfys?://", address, re.IGNORECASE) or "actions=" in address:
        return address
    action = quote(f"http, Fed, {button}, method=POST, clear=true", safe="")
    return f"{address}{'&' if '?' in address else '?'}actions={action}"


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


def _failure(logged: Sequence[str], address: str) -> tuple[str, float]:
    """Why it failed, and how long to wait at least, from what apprise logged; its own words are not repeated."""
    text = "\n".join(logged)
    if found := re.search(r"\berror=(\d{3})\b", text):
        return _refused_by_http(int(found[1]))
    if address.lower().startswith("mailto") and (found := SMTP.search(text)):
        return f"the mail server said {found[1]}", LASTING_S if found[1].startswith("5") else 0.0
    for sign, reason in _KNOWN:
        if sign in text:
            return reason, 0.0
    return "it could not be sent", 0.0


def _refused_by_http(code: int) -> tuple[str, float]:
    phrase = f" {HTTPStatus(code).phrase}" if code in HTTPStatus._value2member_map_ else ""
    if code == 429:
        wait_s = TOO_MANY_WAIT_S
    elif code >= 500 or code == 408:
        wait_s = 0.0
    else:
        wait_s = LASTING_S  # 401, 403, 404 and the like: only a person can mend it
    return f"HTTP {code}{phrase}", wait_s


def main() -> None:
    """See the module."""
    order = json.load(sys.stdin)
    signal.setitimer(signal.ITIMER_REAL, order["whole_s"])  # should whoever started us be gone
    print(f"\n{json.dumps(send(order))}", flush=True)


if __name__ == "__main__":
    main()
