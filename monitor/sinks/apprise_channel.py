"""One notification address (an apprise URL: mail, a push service, a webhook) as a channel, and the test of one.

The whole address is a secret, as its path or even its host may be the token. So only its scheme is shown, and the host
as apprise itself masks it.

Each message is sent by a process of its own (`apprise_send`), which is ended after `WHOLE_S` whatever it hangs in: a
server that trickles a byte a second outlives every timeout of a socket. It also keeps apprise's 25 MB out of the
daemon; a message then takes a second longer.
"""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from monitor.core.notify.conditions import Kind
from monitor.core.notify.siblings import APART
from monitor.runs.outbox import StoredNotice
from monitor.sinks.channel_queue import Failure, message

CONNECT_S, READ_S = 10.0, 20.0  # at most, per connection; a phone network needs 2 s, a busy mail server 10
ASKING = (Kind.FEED_NOW, Kind.OVERDUE, Kind.FEEDING_QUESTION)  # that "Fed" answers
WHOLE_S = 90.0  # for all of it: both of the above twice, and the 15 s that a small board takes to load apprise


class Sending:
    """One message in a process of its own. Not thread-safe: one thread runs it; `break_off` may come from any."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None

    def run(self, order: dict[str, Any]) -> dict[str, Any] | Failure:
        """Run `apprise_send` with an order and return its answer; blocks for `WHOLE_S` at most."""
        order = {**order, "connect_s": CONNECT_S, "read_s": READ_S, "whole_s": WHOLE_S}
        # -P: nothing is imported from the current folder, which others may be able to write
        command = [sys.executable, "-P", "-m", "monitor.sinks.apprise_send"]
        pipe, nothing = subprocess.PIPE, subprocess.DEVNULL
        try:
            with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=nothing, text=True) as process:
                self._process = process
                try:
                    out, _ = process.communicate(json.dumps(order), timeout=WHOLE_S)
                except subprocess.TimeoutExpired:
                    process.kill()
                    return Failure(reason=f"no whole answer within {WHOLE_S:.0f} s")
        except OSError as error:
            return Failure(reason=f"it could not be sent: no process for it ({error.strerror})")
        finally:
            self._process = None
        try:
            said: dict[str, Any] = json.loads(out.strip().rpartition("\n")[2])
        except ValueError:
            return Failure(reason="sending was broken off")
        return said

    def break_off(self) -> None:
        """Stop sending: the message counts as not sent."""
        process = self._process
        if process is not None:
            process.kill()


class AppriseChannel:
    """See the module. Not thread-safe: one thread sends; `break_off` may come from any. `page` is the address of the
    page, for a link to the jar; `button` gives the address that reports a feeding when the button is pressed."""

    def __init__(self, address: str, page: str | None = None, button: Callable[[str], str] | None = None) -> None:
        self._address = address
        self._page = page
        self._button = button
        self._sending = Sending()
        scheme = address.partition("://")[0]
        self._scheme = scheme.lower() if re.fullmatch(r"[A-Za-z0-9.+-]{1,20}", scheme) else "address"
        self.key = f"{self._scheme} {hashlib.blake2b(address.encode(errors='replace'), digest_size=4).hexdigest()}"
        self.shown = f"{self._scheme}://…"  # and the host, once apprise has said which part of it is not secret

    def send(self, together: Sequence[StoredNotice]) -> Failure | None:
        """Send one message; blocks for `WHOLE_S` at most."""
        return self.say(*message(together, link := link_of(together, self._page)), link, self._button_of(together))

    def _button_of(self, together: Sequence[StoredNotice]) -> str | None:
        return None if self._button is None or not asks(together) else self._button(together[0].notice.jar)

    def say(self, title: str, text: str, link: str | None = None, button: str | None = None) -> Failure | None:
        """Send a title and a plain text. `link` is what a tap on it opens, and `button` the address that a press of
        "Fed" goes to, where the service supports them."""
        said = self._sending.run(
            {"address": self._address, "title": title, "text": text, "link": link, "button": button}
        )
        if isinstance(said, Failure):
            return said
        self.shown = said["shown"] or self.shown
        if said["reason"] is None:
            return None
        scheme = "" if said["shown"] else f" (scheme {self._scheme})"
        return Failure(reason=said["reason"] + scheme, wait_s=said["wait_s"])

    def break_off(self) -> None:
        """Stop sending: the message counts as not sent."""
        self._sending.break_off()


def link_of(together: Sequence[StoredNotice], page: str | None) -> str | None:
    """The page about what goes out as one message; None where the page has no address."""
    jar = together[0].notice.jar
    view = "siblings" if together[0].notice.kind in APART else "jar"  # its curve beside theirs
    return None if page is None else f"{page.rstrip('/')}/#/{f'{view}/{quote(jar)}' if jar else ''}"


def asks(together: Sequence[StoredNotice]) -> bool:
    """Whether "Fed" is an answer to the message."""
    return bool(together[0].notice.jar) and any(kept.notice.kind in ASKING for kept in together)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tested:
    """One address after a test message: how it may be shown, whether it went out, and why not."""

    shown: str
    ok: bool
    reason: str


def send_test(addresses: Sequence[str]) -> list[Tested]:
    """Send a test message to each address; one that does not answer takes up to `WHOLE_S`."""
    tested = []
    for address in addresses:
        channel = AppriseChannel(address)
        failure = channel.say("Jartide test", "This is a test. Notices about your starter will come this way.")
        tested.append(Tested(shown=channel.shown, ok=failure is None, reason=failure.reason if failure else ""))
    return tested
