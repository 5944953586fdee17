"""The phones and browsers that want notices by Web Push, as the store keeps them: each an address at the push service
of its browser's maker, and the keys that what is sent there is encrypted for (W3C Push API, RFC 8291).
"""

from __future__ import annotations

import json
from typing import TypedDict

from monitor.host import push_key
from monitor.runs.store import Store
from monitor.settings import PageSettings

KEY, PHONES = "push key", "push phones"  # keys of the store's small texts
MOST = 20  # phones of one household; beyond that, the oldest one goes


class Keys(TypedDict):
    """Both base64url: a point on P-256, and 16 bytes."""

    p256dh: str
    auth: str


class Phone(TypedDict):
    """A phone, as a browser's `PushSubscription.toJSON()` describes it."""

    endpoint: str
    keys: Keys


def offered(page: PageSettings) -> bool:
    """Whether phones can be notified: browsers want TLS for that, and signing needs an extra."""
    secure = page.cert_file is not None or (page.address or "").lower().startswith("https://")
    return page.on and secure and not page.read_only and push_key.can_sign()


def key(store: Store) -> str:
    """The private key, which is made when it is first asked for. Raises StoreTrouble."""
    with store.writing():
        found = store.meta(KEY)
        if found is None:
            found = push_key.make()
            store.set_meta(KEY, found)
    return found


def phones(store: Store) -> list[Phone]:
    """All phones, the oldest first. Raises StoreTrouble."""
    try:
        found = json.loads(store.meta(PHONES) or "[]")
    except ValueError:
        return []
    return found if isinstance(found, list) else []


def add(store: Store, phone: Phone) -> None:
    """Store a phone, new or with new keys. Raises StoreTrouble."""
    with store.writing():
        others = [one for one in phones(store) if one["endpoint"] != phone["endpoint"]]
        store.set_meta(PHONES, json.dumps([*others, phone][-MOST:]))


def drop(store: Store, endpoint: str) -> None:
    """Forget a phone that wants no more notices, or is gone. Raises StoreTrouble."""
    with store.writing():
        store.set_meta(PHONES, json.dumps([one for one in phones(store) if one["endpoint"] != endpoint]))
