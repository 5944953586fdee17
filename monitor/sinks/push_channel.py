"""Web Push as a channel: every phone that asked for notices on the page, through its browser maker's push service.

What is sent is encrypted for the phone (RFC 8291), so the service sees that there is a message but nothing of its
contents. A phone that is gone is forgotten. One that cannot be reached while others can delays these for a few tries at
most.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable, Sequence
from pathlib import Path
from urllib.parse import urlsplit

from monitor.runs import phones
from monitor.runs.outbox import StoredNotice
from monitor.runs.store import Store, StoreTrouble
from monitor.sinks.apprise_channel import Sending, asks, link_of
from monitor.sinks.channel_queue import Failure, words

TRIES = 3  # for phones that are the only ones left
TEXT_BYTES = 2500  # services take 4 kB (RFC 8030), of which link, button and encryption need some


class PushChannel:
    """See the module. Not thread-safe: one thread sends; `break_off` may come from any."""

    key = "push"
    shown = "phones by Web Push"

    def __init__(self, path: Path, page: str | None, button: Callable[[str], str] | None) -> None:
        self._path = path
        self._page = page
        self._button = button
        self._sending = Sending()
        self._ids: list[int] = []  # of the message on its way; who has it, and how often it was tried
        self._have: set[str] = set()
        self._tries = 0

    def send(self, together: Sequence[StoredNotice]) -> Failure | None:
        """Send one message to each phone that does not have it yet."""
        ids = [kept.id for kept in together]
        if ids != self._ids:
            self._ids, self._have, self._tries = ids, set(), 0
        title, text = words(together)
        button = self._button(together[0].notice.jar) if self._button is not None and asks(together) else None
        failure = self.say(title, text, link_of(together, self._page), button)
        self._tries += 1
        return None if self._have and self._tries >= TRIES else failure

    def say(self, title: str, text: str, link: str | None = None, button: str | None = None) -> Failure | None:
        """Send it to each phone that does not have it yet; None when all have it."""
        cut = text.encode()[:TEXT_BYTES].decode(errors="ignore")
        order = {
            "title": title,
            "text": cut,
            "link": link,
            "button": button,
            "sender": f"jartide@{_domain(self._page)}",
        }
        try:
            with Store.join(self._path) as store:
                wanted = [phone for phone in phones.phones(store) if phone["endpoint"] not in self._have]
                if not wanted:
                    return None
                said = self._sending.run(order | {"key": phones.key(store), "phones": wanted})
                if isinstance(said, Failure):
                    return said
                for endpoint, answer in said["phones"].items():
                    if answer["gone"]:
                        phones.drop(store, endpoint)
                    elif answer["reason"] is None:
                        self._have.add(endpoint)
        except StoreTrouble as error:
            return Failure(reason=str(error))
        left = [answer["reason"] for answer in said["phones"].values() if answer["reason"] and not answer["gone"]]
        return Failure(reason=left[0]) if left else None

    def break_off(self) -> None:
        """Stop sending: the message counts as not sent."""
        self._sending.break_off()


def _domain(page: str | None) -> str:
    """The contact for the push service (RFC 8292, section 2.1), as far as a name of the house is known."""
    host = urlsplit(page or "").hostname or ""
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return host if "." in host else "jartide.invalid"
    return "jartide.invalid"
