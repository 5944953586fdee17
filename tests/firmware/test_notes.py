"""The notes for builders say what the programs and the wire really do."""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from monitor.sources.wire import LINE_MAX, PAYLOAD_MAX, Message, parse

NOTES = Path(__file__).resolve().parents[2] / "firmware_notes"
README = (NOTES / "README.md").read_text()


def test_the_line_that_is_shown_is_understood() -> None:
    (line,) = re.findall(r"```json\n(.*)\n```", README)
    message = parse(line.encode())
    assert (message.jar, message.distance_mm, message.temperature_c) == ("rye", 92.4, 24.1)
    assert (message.boot, message.seq, message.up_ms) == ("7f3a91c2", 118, 1180412)
    bare = parse(b"92.4,24.1", bare_lines=True)
    assert "`92.4,24.1`" in README
    assert (bare.distance_mm, bare.temperature_c) == (92.4, 24.1)


def test_every_key_of_the_wire_is_told_and_no_other() -> None:
    rows = re.findall(r"^\| (`\w+`(?:, `\w+`)*) \|", README.split("## The line that a device sends")[1], re.MULTILINE)
    told = {key for row in rows for key in re.findall(r"`(\w+)`", row)} - {"boot_changes"}
    assert told - {"boot"} | {"boot"} == {name.replace("time_s", "time") for name in Message._fields}


def test_limits_and_pins_are_those_of_the_programs() -> None:
    assert f"at most {LINE_MAX} bytes" in README
    assert f"(at most {PAYLOAD_MAX})" in README
    wifi = (NOTES / "jar_wifi" / "my_jar.py").read_text()
    for name, drawn in (
        ("SDA_PIN, SCL_PIN = 21, 22", ("SDA (21)", "SCL (22)")),
        ("TRIGGER_PIN, ECHO_PIN = 5, 18", ("pin 5  ---------------------- TRIG", "pin 18 o")),
        ("PROBE_PIN = 4", ("pin 4 ------o",)),
    ):
        assert name in wifi
        assert all(text in README for text in drawn)
    assert "TRIGGER_PIN = 5, ECHO_PIN = 6" in (NOTES / "jar_serial" / "my_jar.h").read_text()
    assert "pins 5 (TRIG) and 6 (ECHO)" in README


def test_every_file_of_the_wifi_program_is_copied_to_the_board() -> None:
    (line,) = re.findall(r"^mpremote cp (.*) : \+ reset", README, re.MULTILINE)
    assert sorted(line.split()) == sorted(path.name for path in (NOTES / "jar_wifi").glob("*.py"))


def test_the_cautions_are_there() -> None:
    cautions = README.split("## Cautions")[1].split("\n## ")[0]
    for words in (
        "Never seal the jar",
        "Low voltage only",
        "class 1",
        "Moisture",
        "mould or pink, orange or black streaks",
    ):
        assert words in cautions


def test_the_esphome_payload_is_the_line() -> None:
    """What its lambda puts together, as ArduinoJson prints it, is a reading with everything that dates it."""
    text = (NOTES / "jar_esphome" / "rye.yaml").read_text()
    keys = re.findall(r'root\["(\w+)"\]', text)
    assert keys == ["distance_mm", "temperature_c", "boot", "seq", "up_ms"]
    line = '{"distance_mm":92.40000153,"temperature_c":24.125,"boot":3735928559,"seq":12,"up_ms":120034}'
    message = parse(line.encode())
    assert (message.boot, message.seq, message.up_ms) == ("3735928559", 12, 120034)
    assert message.distance_mm is not None
    assert "topic: jartide/${jar}/reading" in text
    assert "8190.0f" in text


def test_esphome_itself_finds_its_file_valid(tmp_path: Path) -> None:
    """`esphome config`, where ESPHome is installed: it is too large to be brought for this alone."""
    esphome = shutil.which("esphome") or os.environ.get("ESPHOME")
    if not esphome:
        pytest.skip("ESPHome is not installed (pip install esphome, in a place of its own; ESPHOME names its program)")
    shutil.copy(NOTES / "jar_esphome" / "rye.yaml", tmp_path)
    (tmp_path / "secrets.yaml").write_text("wifi_ssid: a\nwifi_password: abcdefgh\nmqtt_password: c\n")
    done = subprocess.run([esphome, "config", "rye.yaml"], cwd=tmp_path, capture_output=True, text=True, timeout=100)
    assert "Configuration is valid!" in done.stdout + done.stderr
