"""What the daemon remembers about itself and its devices from one start to the next, in the store.

Used by `assembly`, which hands it to the parts that need it.
"""

from __future__ import annotations

import hashlib
import json
import socket
from pathlib import Path

from monitor.runs.store import Store
from monitor.values import Json

TOKEN_KEY = "client token"
BOOTS_KEY = "power-ups"
BOOT_KEY = "boot"
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
MACHINE_ID = Path("/etc/machine-id")  # machine-id(5)


def client_token(store: Store) -> str:
    """The part of the MQTT client id that is this store's own: the broker keeps our session under it. It is kept in the
    store, which may be moved, and made of machine and path: a store that follows one that was deleted goes on with its
    session, and what the broker still holds is not lost."""
    token = store.meta(TOKEN_KEY)
    if token is None:
        try:
            machine = MACHINE_ID.read_text().strip()
        except OSError:
            machine = ""  # a container: its name is its own
        place = f"{machine}\n{socket.gethostname()}\n{store.path}"
        token = hashlib.sha256(place.encode()).hexdigest()[:10]
        store.set_meta(TOKEN_KEY, token)
    return token


def power_ups(store: Store) -> Json:
    """When each device was switched on last, as `keep_power_ups` stored it; None where nothing is stored."""
    try:
        saved: Json = json.loads(store.meta(BOOTS_KEY) or "null")
        return saved
    except ValueError:
        return None


def keep_power_ups(store: Store, snapshot: Json) -> None:
    """Store when each device was switched on last. Raises StoreTrouble."""
    store.set_meta(BOOTS_KEY, json.dumps(snapshot))


def before_boot_s(store: Store) -> float:
    """The running time at which this machine was last started, as far as this store knows."""
    try:
        boot = BOOT_ID.read_text().strip()
    except OSError:
        boot = ""  # as if it were the same boot
    known, _, running_s = (store.meta(BOOT_KEY) or "").partition(" ")
    if known != boot or not running_s:
        running_s = repr(store.running_s())
        store.set_meta(BOOT_KEY, f"{boot} {running_s}")
    return float(running_s)
