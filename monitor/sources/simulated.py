"""A scenario as a source inside the daemon: the unchanged daemon watches invented jars, faster than real time.

The daemon is given a wall clock that runs `speed` times as fast as the real one; this source emits each message when
that clock passes its time, as the bytes that a device would send, through the same ingest as a wire.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace

from monitor.simulator.device import payload
from monitor.simulator.scenario import Action, Scenario
from monitor.simulator.scene import Scene
from monitor.sources import Put
from monitor.sources.playback import Playback
from monitor.values import SourceHealth

STRETCH_S = 600.0  # simulated in one piece: what the baker is asked to do shows within this much simulated time


def sped_up(speed: float, real: Callable[[], float] = time.time, *, from_s: float | None = None) -> Callable[[], float]:
    """A clock that now shows `from_s` (default: the `real` time) and runs `speed` times as fast."""
    began_s = real()
    shown_s = began_s if from_s is None else from_s
    return lambda: shown_s + (real() - began_s) * speed


class SimulatedSource:
    """Plays a scenario, which begins when `start` is called, whatever date it names.

    `wall` is the daemon's clock, which runs `speed` times as fast as the real one (see `sped_up`).
    """

    def __init__(self, scenario: Scenario, *, speed: float = 1.0, wall: Callable[[], float] = time.time) -> None:
        self.name = "simulated"
        self._scenario = scenario
        self._wall = wall
        self._playback = Playback(self.name, (jar.name for jar in scenario.jar), speed=speed, wall=wall)
        self.ended = self._playback.ended  # set when the scenario is over or cannot be played
        self._told: deque[tuple[str, Action]] = deque()

    def start(self, put: Put) -> None:
        """Begin to play, in a thread."""
        self._playback.start(lambda: self._play(put))

    def stop(self) -> None:
        """End at once."""
        self._playback.stop()

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """A clock of the player's own waits for it (`next_s`)."""
        self._playback.stored(tokens)

    @property
    def next_s(self) -> float:
        """How far the daemon's clock may go before the next message has come and was stored (Unix seconds)."""
        return self._playback.next_s

    def health(self) -> SourceHealth:
        """Whether it is playing, has ended, or what stopped it."""
        return self._playback.status.health()

    def tell(self, jar: str, action: Action) -> None:
        """Let the baker do something to a jar as soon as possible; any thread may call it."""
        self._told.append((jar, action))

    def _play(self, put: Put) -> None:
        playback = self._playback
        try:
            scene = Scene(replace(self._scenario, starts_s=self._wall()), keep_chemistry=False)
            playback.status.report(connected=True, trouble=None)
            while scene.now_s < self._scenario.hours * 3600 and not playback.stopping:
                while self._told:
                    scene.do(*self._told.popleft())
                for sent in scene.advance(scene.now_s + STRETCH_S):
                    if not playback.wait_until(sent.at_s):
                        return
                    playback.hand_on(put, payload(sent))
            playback.status.report(connected=False, trouble="the scenario has ended")
        except Exception as error:  # whatever goes wrong must show in `health`, not die with the thread
            playback.status.report(connected=False, trouble=f"the scenario cannot be played: {error}")
