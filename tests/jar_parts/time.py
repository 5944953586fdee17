"""Stands in for MicroPython's `time`: its clock runs ten times as fast as ours, so that a probe's 750 ms take 75."""

from utime import sleep_ms as _sleep_ms
from utime import ticks_diff, ticks_us

FASTER = 10
MASK = (1 << 29) - 1  # ticks_diff works on a ring of this size; one turn is 149 h of this clock


def sleep_ms(ms):
    _sleep_ms(max(1, ms // FASTER) if ms > 0 else 0)


def sleep_us(us):
    begun = ticks_us()
    while ticks_diff(ticks_us(), begun) < us:
        pass


_total_us = 0
_last = ticks_us()


def ticks_ms():
    global _total_us, _last
    now = ticks_us()
    _total_us += ticks_diff(now, _last)
    _last = now
    return _total_us * FASTER // 1000 & MASK
