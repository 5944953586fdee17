"""Stands in for a board's Wi-Fi: it is there once the program has switched it on and named the network, after as many
looks as the scene says under "wifi_after"."""

import machine

STA_IF = 0


class WLAN:
    def __init__(self, interface):
        assert interface == STA_IF
        self.on = False
        self.named = False
        self.looks = machine.scene.get("wifi_after", 0)

    def active(self, on=None):
        if on is None:
            return self.on
        self.on = on
        self.named = self.named and on
        return on

    def connect(self, name, password):
        assert self.on
        self.named = True

    def isconnected(self):
        if self.named and self.looks > 0:
            self.looks -= 1
            return False
        return self.named
