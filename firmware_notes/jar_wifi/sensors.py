"""The parts of a jar: a distance from an optical or an ultrasonic sensor, a temperature from a 1-Wire probe.

`distance.read()` gives {"distance_mm": 92.0} or {"echo_us": 541}, or {} when the part does not answer.
`probe.start()` begins a conversion, `probe.read()` gives degC, or None when there is nothing to believe.
A part of another make needs a class with the same `read`, and its line in `distance_sensor`.
"""

import time

import machine

NO_TARGET_MM = 8190  # what larger ranging chips say when nothing reflects; a sensor that works, with no jar under it
SHOTS = 5  # their median counts, so one stray shot changes nothing


def distance_sensor(jar):
    """The one that my_jar names."""
    if jar.SENSOR == "ultrasonic":
        return Ultrasonic(machine.Pin(jar.TRIGGER_PIN, machine.Pin.OUT), machine.Pin(jar.ECHO_PIN, machine.Pin.IN))
    if jar.SENSOR == "optical":
        return Optical(machine.I2C(0, sda=machine.Pin(jar.SDA_PIN), scl=machine.Pin(jar.SCL_PIN), freq=100000))
    raise ValueError("my_jar.SENSOR must be 'optical' or 'ultrasonic'")


def median(shots):
    """The middle one of the shots, the lower of two."""
    return sorted(shots)[(len(shots) - 1) // 2]


class Optical:
    """A short-range time-of-flight chip with 16 bit register addresses: VL6180X class (ST DocID026171).

    Its range register ends at 255 mm, of which 100 are promised. The class 1 laser is only switched by the chip itself:
    nothing here touches its drive.
    """

    ADDRESS = 0x29
    MODEL_ID, MODEL = 0x000, 0xB4
    INTERRUPT_CLEAR, FRESH_OUT_OF_RESET, START = 0x015, 0x016, 0x018
    STATUS, INTERRUPT_STATUS, RANGE_MM = 0x04D, 0x04F, 0x062
    READY_MS = 150  # a shot gives up after 49 ms, as the chip wakes up (SYSRANGE__MAX_CONVERGENCE_TIME)
    # Error codes in the upper half of STATUS (table 12): early and maximal convergence, ignored, too little signal,
    # raw and cooked overflow are "nothing there"; raw and cooked underflow are "too near to tell".
    NOTHING_THERE, TOO_NEAR = (6, 7, 8, 11, 13, 15), (12, 14)
    # Unnamed registers that the manufacturer wants set after each power-up, in this order (ST AN4545, page 24)
    SETTINGS = (
        (0x0207, b"\x01\x01"),
        (0x0096, b"\x00\xfd"),
        (0x00E3, b"\x00\x04\x02\x01\x03"),
        (0x00F5, b"\x02"),
        (0x00D9, b"\x05"),
        (0x00DB, b"\xce\x03\xf8"),
        (0x009F, b"\x00"),
        (0x00A3, b"\x3c"),
        (0x00B7, b"\x00"),
        (0x00BB, b"\x3c"),
        (0x00B2, b"\x09"),
        (0x00CA, b"\x09"),
        (0x0198, b"\x01"),
        (0x01B0, b"\x17"),
        (0x01AD, b"\x00"),
        (0x00FF, b"\x05\x05"),
        (0x0199, b"\x05"),
        (0x01A6, b"\x1b"),
        (0x01AC, b"\x3e"),
        (0x01A7, b"\x1f"),
        (0x0030, b"\x00"),
    )
    # and three named ones (DocID026171, section 6): "new sample ready" shows in INTERRUPT_STATUS; 4.3 ms of
    # averaging; the temperature calibration is repeated every 255 shots
    NAMED = ((0x0014, b"\x04"), (0x010A, b"\x30"), (0x0031, b"\xff"))

    def __init__(self, i2c):
        self.i2c = i2c
        self.set_up = False

    def read(self):
        try:
            if not self.set_up or self._get(self.FRESH_OUT_OF_RESET) == 1:  # at first, and after its power failed
                self._set_up()
            return {"distance_mm": self._median_mm()}
        except OSError:  # no answer on the bus: a wire has come off, or it was plugged in later
            self.set_up = False
            return {}

    def _set_up(self):
        if self._get(self.MODEL_ID) != self.MODEL:
            raise OSError("another chip answers at this address")
        for register, values in self.SETTINGS + self.NAMED:
            for offset, value in enumerate(values):
                self._put(register + offset, value)
        self._put(self.FRESH_OUT_OF_RESET, 0)
        self.set_up = True

    def _median_mm(self):
        return median([self._shot_mm() for _ in range(SHOTS)])

    def _shot_mm(self):
        self._put(self.INTERRUPT_CLEAR, 7)
        self._put(self.START, 1)
        begun = time.ticks_ms()
        while self._get(self.INTERRUPT_STATUS) & 7 != 4:
            if time.ticks_diff(time.ticks_ms(), begun) > self.READY_MS:
                raise OSError("no shot is ready")
            time.sleep_ms(1)
        error = self._get(self.STATUS) >> 4
        if error in self.NOTHING_THERE:
            return NO_TARGET_MM
        if error in self.TOO_NEAR:
            return 0
        if error:
            raise OSError("the chip reports a fault of its own")
        return self._get(self.RANGE_MM)

    def _get(self, register):
        return self.i2c.readfrom_mem(self.ADDRESS, register, 1, addrsize=16)[0]

    def _put(self, register, value):
        self.i2c.writeto_mem(self.ADDRESS, register, bytes([value]), addrsize=16)


class Ultrasonic:
    """A module that answers a trigger pulse with a pulse as long as the echo takes: HC-SR04 class. The echo time
    is sent as it is: Jartide knows the temperature and works out the speed of sound from it."""

    TRIGGER_US = 10  # the sheet: at least 10 us
    BETWEEN_MS = 60  # the sheet: a cycle of 60 ms or more, or the last echo is heard again
    NO_ECHO_US = 30000  # 5 m; the module itself gives up after about 38 ms

    def __init__(self, trigger, echo):
        self.trigger = trigger
        self.echo = echo
        self.trigger.value(0)

    def read(self):
        echoes = [echo_us for echo_us in (self._shot_us() for _ in range(SHOTS)) if echo_us > 0]
        return {"echo_us": median(echoes)} if len(echoes) > SHOTS // 2 else {"distance_mm": NO_TARGET_MM}

    def _shot_us(self):
        time.sleep_ms(self.BETWEEN_MS)
        self.trigger.value(1)
        time.sleep_us(self.TRIGGER_US)
        self.trigger.value(0)
        return machine.time_pulse_us(self.echo, 1, self.NO_ECHO_US)  # negative: none


class Probe:
    """The only device on a 1-Wire bus, of the DS18B20 class (Maxim 19-7487)."""

    SKIP_ROM, CONVERT, READ_SCRATCHPAD = 0xCC, 0x44, 0xBE
    CONVERSION_MS = 750  # at 12 bits, as it wakes up

    def __init__(self, bus):
        self.bus = bus
        self.begun = None

    def start(self):
        self.begun = None
        if self.bus.reset():
            self.bus.writebyte(self.SKIP_ROM)
            self.bus.writebyte(self.CONVERT)
            self.begun = time.ticks_ms()

    def read(self):
        if self.begun is None:
            return None
        left_ms = self.CONVERSION_MS - time.ticks_diff(time.ticks_ms(), self.begun)
        if left_ms > 0:
            time.sleep_ms(left_ms)
        if not self.bus.reset():
            return None
        self.bus.writebyte(self.SKIP_ROM)
        self.bus.writebyte(self.READ_SCRATCHPAD)
        frame = bytearray(9)
        self.bus.readinto(frame)
        return temperature_c(frame)


def temperature_c(frame):
    """degC of a nine-byte scratchpad, or None: its CRC is wrong; it is all zeros (a shorted bus, whose CRC fits by
    chance of arithmetic); it holds 85.0, the value from before the first conversion; it is outside of the probe's
    range."""
    if crc8(frame) != 0 or not any(frame):
        return None
    raw = frame[0] | frame[1] << 8
    if raw >= 0x8000:
        raw -= 0x10000
    if raw == 0x0550 or not -55 * 16 <= raw <= 125 * 16:
        return None
    return raw / 16


def crc8(data):
    """1-Wire's CRC: x^8 + x^5 + x^4 + 1, lowest bit first (Maxim Application Note 27). 0 over data and its own CRC."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x8C if crc & 1 else 0)
    return crc
