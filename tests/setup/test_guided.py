"""The guided set-up in a browser, with a sensor on a pty and a broker of its own."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from paho.mqtt import publish
from playwright.sync_api import Browser, expect

from monitor.config.reader import load
from monitor.setup import server
from monitor.setup.speaking import Speaking
from tests.browsing import WAIT_MS, Eyes, launched
from tests.looking import looks
from tests.pty_sensor import Sensor
from tests.servers import mosquitto, wait_until


class Guide:
    """A set-up that is served from a thread."""

    def __init__(self, config: Path, ports: list[str]) -> None:
        self.config, self.address, self.written = config, "", None
        self._thread = threading.Thread(target=self._serve, args=(ports,), daemon=True)
        self._thread.start()
        wait_until(lambda: self.address, "the address is said")

    def _serve(self, ports: list[str]) -> None:
        self.written = server.serve(self.config, lambda said: setattr(self, "address", said), Speaking(lambda: ports))

    def ended(self) -> bool:
        self._thread.join(20)
        return bool(self.written)


@pytest.fixture
def sensor() -> Iterator[Sensor]:
    made = Sensor()
    yield made
    made.stop()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with launched() as made:
        yield made


def test_a_board_is_found_measured_and_written_down(browser: Browser, sensor: Sensor, tmp_path: Path) -> None:
    guide = Guide(tmp_path / "jartide.toml", [sensor.port])
    context = browser.new_context(reduced_motion="reduce")
    eyes = Eyes(context, guide.address)
    page = eyes.page
    assert page.url.endswith("/")  # the code is gone from the address
    chosen = page.get_by_role("region", name="The chosen sensor")
    expect(chosen).to_contain_text("151 mm", timeout=WAIT_MS)
    sensor.distance_mm = 60.0  # a hand under the lid
    expect(chosen).to_contain_text("60 mm", timeout=WAIT_MS)
    assert list(looks(page)) == []
    sensor.distance_mm = 151.4
    page.get_by_role("button", name="That is the one").click()
    page.get_by_label("Its name").fill("my rye")
    page.get_by_role("button", name="On", exact=True).click()
    expect(page.locator(".said")).to_contain_text("without spaces")
    assert list(looks(page)) == []
    page.get_by_label("Its name").fill("rye")
    page.get_by_label("What flour").fill("whole rye")
    page.get_by_role("button", name="On", exact=True).click()
    page.get_by_role("button", name="Measure the empty jar").click()
    page.get_by_role("button", name="That is all").click(timeout=WAIT_MS)
    expect(page.get_by_role("button", name="Keep this")).to_be_visible(timeout=WAIT_MS)
    assert list(looks(page)) == []
    page.get_by_role("button", name="Keep this").click(timeout=WAIT_MS)
    page.get_by_label("How high the rim is").fill("120")
    assert list(looks(page)) == []
    page.get_by_role("button", name="On", exact=True).click()
    page.get_by_label("A password for the page").fill("crumb")
    assert list(looks(page)) == []
    page.get_by_role("button", name="On", exact=True).click()
    expect(page.locator("pre")).to_contain_text("empty_mm = 151.4", timeout=WAIT_MS)
    assert list(looks(page)) == []
    page.get_by_role("button", name="Write it").click()
    expect(page.get_by_role("heading", name="Done")).to_be_visible(timeout=WAIT_MS)
    assert list(looks(page)) == []
    assert guide.ended()
    settings = load(guide.config)
    (jar,) = settings.jars
    assert (jar.name, jar.flour, jar.empty_mm, jar.rim_mm) == ("rye", "whole rye", 151.4, 120.0)
    (serial,) = settings.serial
    assert (serial.port, serial.jar, serial.bare_lines) == (sensor.port, "rye", True)
    assert (settings.notices.quiet_from, settings.notices.quiet_to) == ("22:30", "06:30")
    word = tmp_path / "page_password"
    assert settings.page.password_file == word
    assert (word.read_text(), word.stat().st_mode & 0o777) == ("crumb\n", 0o600)
    assert not eyes.wrong
    context.close()


def test_a_topic_is_found(browser: Browser, tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        guide = Guide(tmp_path / "jartide.toml", [])
        context = browser.new_context()
        eyes = Eyes(context, guide.address)
        expect(eyes.page.locator("main")).to_contain_text("None is sending yet.")
        body = {"host": "127.0.0.1", "port": broker.port}
        said = json.dumps({"distance_cm": 12.3, "temperature": 22.5})
        publish.single("zigbee/jar", said, retain=True, hostname="127.0.0.1", port=broker.port)
        answer = eyes.page.evaluate(
            "body => fetch('api/broker', {method: 'POST', headers: {'content-type': 'application/json'}, "
            "body: JSON.stringify(body)}).then(answer => answer.status)", body,
        )  # fmt: skip
        assert answer == 201
        expect(eyes.page.get_by_role("radio")).to_have_count(1, timeout=WAIT_MS)
        expect(eyes.page.locator("main")).to_contain_text("123 mm")
        eyes.page.get_by_role("button", name="That is the one").click()
        for _ in range(3):
            eyes.page.get_by_role("button", name="On", exact=True).click()
        expect(eyes.page.locator("pre")).to_contain_text('topic = "zigbee/jar"', timeout=WAIT_MS)
        eyes.page.get_by_role("button", name="Write it").click()
        expect(eyes.page.get_by_role("heading", name="Done")).to_be_visible(timeout=WAIT_MS)
        assert guide.ended()
        (mqtt,) = load(guide.config).mqtt
        assert (mqtt.host, mqtt.port, mqtt.topic, mqtt.jar) == ("127.0.0.1", broker.port, "zigbee/jar", "rye")
        assert dict(mqtt.read)["distance"].unit == "cm"
        context.close()


def test_the_address_is_good_for_one_browser_and_only_here(tmp_path: Path) -> None:
    guide = Guide(tmp_path / "jartide.toml", [])
    base, _, code = guide.address.partition("?code=")
    with httpx.Client() as mine, httpx.Client() as other:
        assert other.get(f"{base}api/speaking").status_code == 401
        assert other.get(f"{base}?code=guessed").status_code == 401
        assert mine.get(f"{base}?code={code}").status_code == 303
        assert mine.get(f"{base}api/speaking").status_code == 200
        assert other.get(f"{base}?code={code}").status_code == 401  # it was good for once
        elsewhere = {"host": "evil.example"}
        assert mine.get(f"{base}api/speaking", headers=elsewhere).status_code == 400
        foreign = {"origin": "http://evil.example", "content-type": "application/json"}
        assert mine.post(f"{base}api/write", headers=foreign, content="{}").status_code == 403
        assert not guide.config.exists()
        assert mine.post(f"{base}api/write", json={"jar": "rye", "empty_mm": 5}).status_code == 422
        assert mine.post(f"{base}api/write", json={"jar": "rye"}).status_code == 201
    assert guide.ended()


def test_the_command_says_the_address_and_ends_with_ctrl_c(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "monitor", "init", "--page", "--config", str(tmp_path / "jartide.toml")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as guide:
        assert guide.stdout is not None
        said = guide.stdout.readline()
        assert said.startswith("Open http://127.0.0.1:")
        wait_until(lambda: httpx.get(said.split()[1]).status_code == 303, "it is served")
        guide.send_signal(signal.SIGINT)
        assert "nothing was written" in guide.stdout.read()
    assert guide.returncode == 1
