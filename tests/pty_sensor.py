"""A sensor at the other end of a pty: says bare lines, a distance each tenth of a second."""

from __future__ import annotations

import os
import pty
import threading
import tty


class Sensor:
    """A pty whose other end says a distance each tenth of a second."""

    def __init__(self) -> None:
        self.ours, theirs = pty.openpty()
        tty.setraw(theirs)
        self.port = os.ttyname(theirs)
        self._theirs = theirs  # held open: a pty whose last reader went forgets what was written
        self.distance_mm = 151.4
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._speak, daemon=True)
        self._thread.start()

    def _speak(self) -> None:
        while not self._end.wait(0.1):
            os.write(self.ours, f"{self.distance_mm},22.5\n".encode())

    def stop(self) -> None:
        self._end.set()
        self._thread.join()
        os.close(self.ours)
        os.close(self._theirs)
