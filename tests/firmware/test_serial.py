"""The serial program for boards: compiled by avr-gcc, run on a simulated ATmega328P with simulated parts on its pins,
and its lines taken in as the daemon takes them."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

from monitor.sources.wire import LINE_MAX, Message, Remainder, cut, parse
from tests.firmware.thermometer import FRAMES, WARM
from tests.servers import program

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "firmware_notes" / "jar_serial"
AVR = Path("/usr/share/arduino/hardware/arduino/avr")  # Debian's arduino-core-avr
CORE, WIRE = AVR / "cores" / "arduino", AVR / "libraries" / "Wire" / "src"
# what the program uses of the core; the rest would be thrown away by the linker
SOURCES = [
    *(CORE / f"{name}.c" for name in ("wiring", "wiring_digital", "wiring_pulse", "hooks")),
    CORE / "wiring_pulse.S",
    *(CORE / f"{name}.cpp" for name in ("main", "HardwareSerial", "HardwareSerial0", "Print", "Stream", "abi", "new")),
    WIRE / "Wire.cpp",
    WIRE / "utility" / "twi.c",
]
FLAGS = "-mmcu=atmega328p -DF_CPU=16000000L -DARDUINO=10819 -DARDUINO_ARCH_AVR -Os -ffunction-sections -fdata-sections"
INCLUDES = [f"-I{folder}" for folder in (CORE, AVR / "variants" / "standard", WIRE)]
LANGUAGE = {".c": ["-std=gnu11"], ".S": ["-x", "assembler-with-cpp"], ".cpp": ["-std=gnu++11", "-fno-exceptions"]}
OPTICAL, ULTRASONIC = 1, 2  # as in my_jar.h


def run(*command: object) -> str:
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command[0]}: {done.stderr}"
    return done.stdout


@dataclass(frozen=True)
class Bench:
    """The compiled firmwares and the board that runs them."""

    folder: Path

    def firmware(self, sensor: int) -> Path:
        return self.folder / f"{sensor}.elf"

    def bytes_from(self, *scene: str, sensor: int = OPTICAL, lines: int = 1, resets: int = 0, ends: int = 0) -> bytes:
        """What the board says on its serial port; `ends` is the status that its run ends with."""
        (self.folder / "scene").write_text("\n".join(scene) + "\n")
        said = self.folder / "serial"
        done = subprocess.run(
            [self.folder / "board", self.firmware(sensor), self.folder / "scene", str(lines), str(resets), said],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == ends, done.stderr
        return said.read_bytes()

    def messages(self, *scene: str, sensor: int = OPTICAL, lines: int = 1, resets: int = 0) -> list[Message]:
        """The same through the daemon's own line cutter and parser."""
        found, remainder = cut(Remainder(), self.bytes_from(*scene, sensor=sensor, lines=lines, resets=resets))
        assert remainder.tail == b""
        return [parse(line.data) for line in found]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    folder = tmp_path_factory.mktemp("avr")
    compiler = program("avr-g++")
    objects = []
    for source in SOURCES:
        objects.append(folder / f"{source.name}.o")
        flags = [*FLAGS.split(), *LANGUAGE[source.suffix], *INCLUDES, "-w"]
        run(program("avr-gcc"), *flags, "-c", source, "-o", objects[-1])
    for sensor in (OPTICAL, ULTRASONIC):
        ours = folder / f"ours{sensor}.o"
        flags = [*FLAGS.split(), *LANGUAGE[".cpp"], *INCLUDES, "-Wall", "-Wextra", "-Werror", f"-DSENSOR={sensor}"]
        sketch = ["-DPERIOD_MS=1000", "-x", "c++", "-include", "Arduino.h", "-c", FIRMWARE / "jar_serial.ino"]
        run(compiler, *flags, *sketch, "-o", ours)
        run(compiler, "-mmcu=atmega328p", "-Os", "-Wl,--gc-sections", *objects, ours, "-o", folder / f"{sensor}.elf")
    run(
        *(program("cc"), "-O2", "-Wall", ROOT / "tests" / "jar_board" / "board.c"),
        *("-o", folder / "board", "-lsimavr", "-lelf"),
    )
    return Bench(folder)


def test_lines_are_numbered_and_dated_and_each_power_up_has_its_token(bench: Bench) -> None:
    found = bench.messages("range 92 0", f"frame {WARM}", lines=3, resets=1)
    assert [message.seq for message in found] == [0, 1, 2, 0, 1, 2]
    assert [message.up_ms for message in found] == [0, 1000, 2000] * 2
    assert [message.boot for message in found] == ["one-1"] * 3 + ["one-2"] * 3
    assert all((m.jar, m.distance_mm, m.temperature_c) == ("rye", 92, 25.0625) for m in found)


def test_a_line_ends_well_and_is_short_enough(bench: Bench) -> None:
    said = bench.bytes_from("range 92 0", f"frame {WARM}")
    assert said.endswith(b"}\r\n")
    # seq and up_ms at their longest, a jar's name of 40 and a device's of 10
    assert len(said) + 9 + 9 + 37 + 7 < LINE_MAX


def test_the_optical_part_gives_a_median_and_says_when_nothing_is_there(bench: Bench) -> None:
    """Error codes: ST DocID026171 table 12."""
    shots = ["range 70 0", "range 200 0", "range 71 0", "range 0 12", "range 72 0"]
    shots += [f"range {shot}" for shot in ("255 15", "255 11", "3 12", "81 0") for _ in range(5)]
    found = bench.messages(*shots, f"frame {WARM}", lines=5)
    assert [message.distance_mm for message in found] == [71, 8190, 8190, 0, 81]


def test_a_fault_of_the_chip_leaves_the_distance_out(bench: Bench) -> None:
    found = bench.messages("range 60 3", *["range 70 0"] * 6, f"frame {WARM}", lines=2)
    assert [(message.distance_mm, message.temperature_c) for message in found] == [(None, 25.0625), (70, 25.0625)]


def test_an_echo_goes_out_as_it_is(bench: Bench) -> None:
    """The board counts in steps of some microseconds: 10 us are 1.7 mm there and back."""
    echoes = [f"echo {us}" for us in (582, 590, 35000, 581, 583, 35000, 35000, 35000, 500, 501, 541)]
    found = bench.messages(*echoes, f"frame {WARM}", sensor=ULTRASONIC, lines=3)
    assert [message.distance_mm for message in found] == [None, 8190, None]
    assert found[0].echo_us == pytest.approx(583, abs=10)
    assert found[2].echo_us == pytest.approx(541, abs=10)
    assert all(message.temperature_c == 25.0625 for message in found)


def test_only_a_temperature_that_was_measured_goes_out(bench: Bench) -> None:
    found = bench.messages("range 92 0", *(f"frame {frame}" for frame in FRAMES), lines=len(FRAMES))
    assert [message.temperature_c for message in found] == list(FRAMES.values())
    assert all(message.distance_mm == 92 for message in found)


def test_a_part_that_is_not_there_is_left_out(bench: Bench) -> None:
    (found,) = bench.messages("range 92 0", "no probe")
    assert (found.distance_mm, found.temperature_c) == (92, None)
    (found,) = bench.messages("no chip", f"frame {WARM}")
    assert (found.distance_mm, found.temperature_c) == (None, 25.0625)
    (found,) = bench.messages("no echo", f"frame {WARM}", sensor=ULTRASONIC)
    assert (found.distance_mm, found.temperature_c) == (8190, 25.0625)
    assert bench.bytes_from("no chip", "no probe", ends=3) == b""


@pytest.mark.parametrize("sensor", [OPTICAL, ULTRASONIC])
def test_it_fits_into_the_smallest_board_of_its_kind(bench: Bench, sensor: int) -> None:
    """ATmega328P: 32 kB of flash, of which a boot loader takes 2, and 2 kB of RAM, half of it left for the stack."""
    sizes = run(program("avr-size"), bench.firmware(sensor)).splitlines()[1].split()
    text, data, bss = (int(size) for size in sizes[:3])
    assert text + data < 30 * 1024
    assert data + bss < 1024
