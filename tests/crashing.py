"""Nights watched by a program that crashes again and again: at every named failpoint, then at random ones.

`python -m tests.crashing FOLDER CRASHES SEED` runs in a process of its own, which forks a child for each life; a night
holds some twenty crashes, so there are as many nights as are needed. The broker's part is played by a file of what was
acknowledged: the rest comes again. Leaves `s.db`, `acknowledged` and `sent` in a folder a night and prints, for each
crash, that folder and the failpoint.
"""

from __future__ import annotations

import os
import random
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from monitor.host import failpoints
from monitor.runs.outbox import StoredNotice
from monitor.sinks.channel_queue import ChannelQueue, Failure
from tests.kitchen import Kitchen
from tests.night import night

THINGS = [replace(thing, token=number) for number, thing in enumerate(night(every_s=60.0))]
END_S = THINGS[-1].received_s + 60.0
# about how often each place is passed in a night
PASSED = {"committed": 700, "acknowledged": 700, "stepped": 1400, "kept": 20, "sent": 3}
FIRST = [
    ("migrating", 4),
    ("committed", 3),
    ("acknowledged", 40),
    ("stepped", 90),
    ("kept", 3),
    ("sent", 1),
    ("sent", 1),
]


class File:
    """A channel that writes the ids of what it is given, as a person's telephone would show them."""

    key = shown = "file"

    def __init__(self, path: Path) -> None:
        self._path = path

    def send(self, together: Sequence[StoredNotice]) -> Failure | None:
        with self._path.open("a") as out:
            out.writelines(f"{one.message_id}\n" for one in together)
        return None


def live(folder: Path) -> None:
    """Watch on from where the last life ended, to the night's end."""
    acknowledged = folder / "acknowledged"
    acknowledged.touch()
    done = {int(line) for line in acknowledged.read_text().split()}
    waiting = [thing for thing in THINGS if thing.token not in done]
    now_s = waiting[0].received_s if waiting else END_S
    kitchen = Kitchen(folder / "s.db", now_s)
    queue = ChannelQueue(File(folder / "sent"), {"file"}, kitchen.wall, kitchen.wall)
    queue.resume(kitchen.store)
    told = 0
    for number, thing in enumerate(waiting):
        kitchen.live([thing])
        if number % 10 == 0:
            queue.turn(kitchen.store)
        new = kitchen.source.acknowledged[told:]
        told += len(new)
        if new:
            with acknowledged.open("a") as out:
                out.writelines(f"{token}\n" for token in new)
    kitchen.to(END_S)
    kitchen.daemon.flush()
    queue.turn(kitchen.store)


def main(folder: Path, crashes: int, seed: int) -> None:
    chance, crashed, nights = random.Random(seed), 0, 0
    while crashed < crashes:
        night_folder = folder / f"night-{nights}"
        night_folder.mkdir()
        ended = False
        for name, count in [*(FIRST if nights == 0 else []), *([("", 0)] * PASSED["committed"])]:
            if crashed >= crashes:
                name, count = "", 0  # the last night comes to its end
            elif not name:
                name = chance.choice(sorted(PASSED))
                count = 1 + int(PASSED[name] * chance.random() ** 3 / 4)
            child = os.fork()
            if child == 0:
                failpoints._name, failpoints._action, failpoints._left = name, "exit", count
                live(night_folder)
                os._exit(0)
            code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
            if code not in (0, 9):
                sys.exit(f"{night_folder.name}: a life ended with {code}")
            if code == 9:
                crashed += 1
                print(night_folder.name, name, flush=True)
            else:
                ended = True
                break
        if not ended:
            sys.exit(f"{night_folder.name}: did not come to its end")
        nights += 1


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
