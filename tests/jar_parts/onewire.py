"""Stands in for a 1-Wire bus with one probe: the scene's "frames" are the scratchpads (hex), one a reading; "" is a bus
on which nothing answers."""

import machine


class OneWire:
    def __init__(self, pin):
        self.written = []
        self.frame = ""

    def reset(self):
        self.written = []
        return machine.scene["frames"][0] != ""

    def writebyte(self, byte):
        self.written.append(byte)
        if self.written == [0xCC, 0xBE]:
            self.frame = machine.following("frames")

    def readinto(self, buffer):
        assert self.written == [0xCC, 0xBE]
        buffer[:] = bytes(int(self.frame[n : n + 2], 16) for n in range(0, 18, 2))
