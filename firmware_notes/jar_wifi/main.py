"""A jar on Wi-Fi: measures, keeps what it measured, and hands it to an MQTT broker as soon as there is one.

MicroPython. Copy main.py, my_jar.py, sensors.py and mqtt_out.py to the board; it begins by itself at power-up.
Each message says which power-up it is from (boot), its number in it (seq) and when it was measured (up_ms, milliseconds
since power-up), so that Jartide dates what comes late, and takes what comes twice once.
"""

import json
import os
import time
from binascii import hexlify

import machine
import my_jar
import network
from mqtt_out import Broker
from sensors import Probe, distance_sensor

FIRST_WAIT_MS, LAST_WAIT_MS = 1000, 60000  # between two tries to reach the broker: twice as long each time
WIFI_AFRESH_MS = 300000  # Wi-Fi that has been down for five minutes is switched off and on
IDLE_PING_MS = 60000


class Uptime:
    """Milliseconds since power-up, never going back: ticks_ms itself wraps every 12 days."""

    def __init__(self):
        self.ticks = time.ticks_ms()
        self.total_ms = 0

    def ms(self):
        now = time.ticks_ms()
        self.total_ms += time.ticks_diff(now, self.ticks)
        self.ticks = now
        return self.total_ms


class Link:
    """The way out: Wi-Fi and the broker, tried again with growing pauses."""

    def __init__(self, uptime):
        self.uptime = uptime
        self.wifi = network.WLAN(network.STA_IF)
        self.broker = Broker(
            my_jar.BROKER,
            my_jar.PORT,
            "jar-" + hexlify(machine.unique_id()).decode()[-12:],
            my_jar.USER,
            my_jar.PASSWORD,
            my_jar.CA_FILE,
            keep_alive_s=2 * IDLE_PING_MS // 1000,
        )
        self.connected = False
        self.pause_ms = FIRST_WAIT_MS
        self.next_try_ms = 0
        self.wifi_since_ms = 0
        self.last_sent_ms = 0

    def flush(self, waiting):
        """One step: connects, or sends the oldest message and waits for its acknowledgement. True when another step may
        follow at once; feed the watchdog between two steps."""
        try:
            if not self.connected:
                return self._connect()
            if waiting:
                self.broker.publish(my_jar.TOPIC.replace("{jar}", my_jar.JAR), json.dumps(waiting[0]).encode())
                waiting.pop(0)
                self.last_sent_ms = self.uptime.ms()
            elif self.uptime.ms() - self.last_sent_ms > IDLE_PING_MS:
                self.broker.ping()
                self.last_sent_ms = self.uptime.ms()
            return bool(waiting)
        except OSError as error:
            print("broker:", error)
            self.broker.close()
            self.connected = False
            # some boards share a broker that has just come back: they should not all knock at once
            jitter_ms = self.pause_ms * os.urandom(1)[0] // 1024
            self.next_try_ms = self.uptime.ms() + self.pause_ms + jitter_ms
            self.pause_ms = min(2 * self.pause_ms, LAST_WAIT_MS)
            return False

    def _connect(self):
        now = self.uptime.ms()
        if now < self.next_try_ms:
            return False
        if not self.wifi.isconnected():
            if now - self.wifi_since_ms > WIFI_AFRESH_MS:
                self.wifi.active(False)
            if not self.wifi.active():
                self.wifi.active(True)
                self.wifi.connect(my_jar.WIFI_NAME, my_jar.WIFI_PASSWORD)
                self.wifi_since_ms = now
            self.next_try_ms = now + FIRST_WAIT_MS
            return False
        self.broker.connect()
        self.connected = True
        self.pause_ms = FIRST_WAIT_MS
        self.last_sent_ms = now
        return True


def measure(distance, probe):
    """What the sensors read now: {"distance_mm": ..., "temperature_c": ...}, each only if it could be measured."""
    if probe is not None:
        probe.start()  # the distance is taken while the probe converts
    found = distance.read()
    celsius = probe.read() if probe is not None else None
    if celsius is not None:
        found["temperature_c"] = celsius
    return found


def probe_on(pin):
    """The probe on this pin, or None when my_jar says that there is none."""
    if pin is None:
        return None
    import onewire

    return Probe(onewire.OneWire(machine.Pin(pin)))


def run():
    watchdog = machine.WDT(timeout=my_jar.WATCHDOG_MS)
    uptime = Uptime()
    link = Link(uptime)
    distance = distance_sensor(my_jar)
    probe = probe_on(my_jar.PROBE_PIN)
    boot = hexlify(os.urandom(4)).decode()
    waiting, seq, due_ms = [], 0, 0
    while True:
        watchdog.feed()
        now = uptime.ms()
        if now >= due_ms:
            due_ms = max(due_ms + int(my_jar.PERIOD_S * 1000), now)
            found = measure(distance, probe)
            if found:
                found.update({"jar": my_jar.JAR, "boot": boot, "seq": seq, "up_ms": now})
                waiting.append(found)
                seq += 1
                if len(waiting) > my_jar.KEEP:
                    waiting.pop(0)
        watchdog.feed()
        if not link.flush(waiting):
            time.sleep_ms(20)


run()
