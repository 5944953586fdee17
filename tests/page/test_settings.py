"""Settings on the page, on the real watch with a config file of its own and a sensor at the other end of a pty."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import ClassVar

import pytest
from playwright.sync_api import BrowserContext, Locator, expect

from monitor.config.reader import load
from tests.browsing import WAIT_MS, Eyes, serious
from tests.looking import looks
from tests.pty_sensor import Sensor
from tests.servers import free_port, listens, wait_until

PASSWORD = "flour and water"
# the command, whose groups of readings are kept sooner: a measurement waits for four of them
WATCH = "import monitor.sinks.recorder as it; it.AGE_S = 0.3; from monitor.cli import main; main()"
CONFIG = """\
# our kitchen
[[jar]]
name = "rye"        # the one on the left
empty_mm = 150      # measured in spring
flour = "rye"

[[serial]]
port = "{port}"
jar = "rye"
bare_lines = true   # an old sensor

[notices]
console = false
# the night is ours
quiet_from = "22:30"   # late
quiet_to = "06:30"

# the page, for the whole house
[page]
port = {page}
password_file = "word"
"""


class Heard(BaseHTTPRequestHandler):
    """Takes what a notice's address posts."""

    bodies: ClassVar[list[bytes]] = []

    def do_POST(self) -> None:
        self.bodies.append(self.rfile.read(int(self.headers["content-length"])))
        self.send_response(200)
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None: ...


class House:
    """The watch of one config."""

    def __init__(self, folder: Path, sensor: Sensor) -> None:
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}/"
        self.config = folder / "jartide.toml"
        self.log = folder / "log"
        (folder / "word").write_text(PASSWORD)
        (folder / "word").chmod(0o600)
        self.config.write_text(CONFIG.format(port=sensor.port, page=self.port))
        self.begin()
        wait_until(lambda: listens(self.port), "the page listens", 40)

    def begin(self) -> None:
        with self.log.open("w") as log:
            command = [sys.executable, "-c", WATCH, "watch", "--config", str(self.config)]
            self.process = subprocess.Popen(command, stdout=log, stderr=log)

    def has_read_again(self, times: int) -> None:
        """It has gone on with a changed config, and its page is back."""
        wait_until(lambda: self.log.read_text().count("the config was read again") >= times, "it is read again")
        wait_until(lambda: self.log.read_text().count("the page is at") > times, "the page is back")
        wait_until(lambda: listens(self.port), "the page listens again")


@pytest.fixture
def sensor() -> Iterator[Sensor]:
    made = Sensor()
    yield made
    made.stop()


@pytest.fixture
def house(tmp_path: Path, sensor: Sensor) -> Iterator[House]:
    made = House(tmp_path, sensor)
    yield made
    made.process.terminate()
    assert made.process.wait(20) == 0


def part(eyes: Eyes, title: str) -> Locator:
    """A form or plate by its heading."""
    heading = eyes.page.get_by_role("heading", name=title, exact=True)
    return eyes.page.locator(".plate", has=heading)


def opened(context: BrowserContext, house: House) -> Eyes:
    eyes = Eyes(context, house.url)
    eyes.page.get_by_label("Password").fill(PASSWORD)
    eyes.page.get_by_role("button", name="Sign in").click()
    eyes.page.goto(f"{house.url}#/settings")
    expect(eyes.page.get_by_role("heading", name="Settings")).to_be_visible()
    return eyes


def saved(where: Locator, house: House, times: int) -> None:
    """It was said, and the watch has gone on with it."""
    expect(where.locator(".said").first).to_have_text("Saved and in use.", timeout=WAIT_MS)
    house.has_read_again(times)


def test_what_people_change_is_written_with_comments_kept(
    house: House, sensor: Sensor, context: BrowserContext, tmp_path: Path
) -> None:
    eyes = Eyes(context, house.url)
    assert list(looks(eyes.page)) == []
    eyes = opened(context, house)
    assert list(looks(eyes.page)) == []
    notices, password = part(eyes, "Quiet hours and notices"), eyes.page.get_by_label("password", exact=False)
    notices.get_by_label("Quiet from").fill("23:15")
    notices.get_by_role("button", name="Save").click()
    expect(notices.locator(".said").first).to_have_text("Enter the password first.")
    password.fill("guessed")
    notices.get_by_role("button", name="Save").click()
    expect(notices.locator(".said").first).to_contain_text("that is not the password", timeout=WAIT_MS)
    assert 'quiet_from = "22:30"' in house.config.read_text()

    password.fill(PASSWORD)
    notices.get_by_role("button", name="Save").click()
    saved(notices, house, 1)
    jar = part(eyes, "rye")
    jar.get_by_label("Usual flour").fill("whole rye")
    jar.get_by_label("The rim above the bottom").fill("120")
    jar.get_by_role("button", name="Save").click()
    saved(jar, house, 2)
    text = house.config.read_text()
    for line in (
        "# our kitchen", 'name = "rye"        # the one on the left', "bare_lines = true   # an old sensor",
        "# the night is ours", 'quiet_from = "23:15"   # late', "# the page, for the whole house",
    ):  # fmt: skip
        assert line in text.splitlines(), line
    rye = load(house.config).jar("rye")
    assert (rye.flour, rye.rim_mm, rye.empty_mm) == ("whole rye", 120.0, 150.0)

    jar.get_by_label("The rim above the bottom").fill("900")
    jar.get_by_role("button", name="Save").click()
    expect(jar.locator(".said").first).to_contain_text("the rim cannot be above the sensor", timeout=WAIT_MS)
    assert house.config.read_text() == text
    assert list(tmp_path.glob("jartide.toml.before-*"))


def test_a_jar_gets_another_name_and_keeps_its_past(house: House, context: BrowserContext) -> None:
    eyes = opened(context, house)

    def jars() -> dict[str, object]:
        return {jar["jar"]: jar["heard"] for jar in eyes.page.request.get(f"{house.url}api/now").json()["jars"]}

    wait_until(lambda: jars().get("rye") is not None, "rye was heard")
    eyes.page.get_by_label("password", exact=False).fill(PASSWORD)
    jar = part(eyes, "rye")
    jar.get_by_label("Name", exact=True).fill("anna")
    jar.get_by_role("button", name="Save").click()
    saved(jar, house, 1)
    wait_until(lambda: eyes.page.request.get(f"{house.url}api/jars").json() == ["anna"], "its past went along")
    wait_until(lambda: jars().get("anna") is not None, "anna is heard")
    assert load(house.config).serial[0].jar == "anna"


def test_an_address_is_taken_in_tried_and_taken_out(house: House, context: BrowserContext, tmp_path: Path) -> None:
    eyes = opened(context, house)
    eyes.page.get_by_label("password", exact=False).fill(PASSWORD)
    told = part(eyes, "Who gets notices")
    server = HTTPServer(("127.0.0.1", 0), Heard)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    told.get_by_label("Another address").fill(f"json://127.0.0.1:{server.server_port}/hidden-from-all")
    told.get_by_role("button", name="Add", exact=True).click()
    expect(told.locator(".said").last).to_contain_text("Added", timeout=WAIT_MS)
    kept = tmp_path / "notice_addresses"
    assert kept.stat().st_mode & 0o777 == 0o600
    assert load(house.config).notices.to_file == kept
    house.has_read_again(1)
    eyes.page.reload()
    expect(told).to_contain_text("json://…", timeout=WAIT_MS)
    assert "hidden-from-all" not in eyes.page.content()
    eyes.page.get_by_label("password", exact=False).fill(PASSWORD)
    told.get_by_role("button", name="Send a test").click()
    expect(told.locator(".said")).to_contain_text("did it arrive?", timeout=60_000)
    assert any(b"This is a test" in body for body in Heard.bodies)
    told.get_by_role("button", name="Remove").click()
    expect(told.locator("li")).to_have_count(0, timeout=WAIT_MS)
    assert kept.read_text() == ""
    server.shutdown()


def test_a_sensor_is_calibrated(house: House, sensor: Sensor, context: BrowserContext) -> None:
    eyes = opened(context, house)
    eyes.page.get_by_label("password", exact=False).fill(PASSWORD)
    jar = part(eyes, "rye")

    def heard() -> bool:
        readings = eyes.page.request.get(f"{house.url}api/jars/rye/distances?since_s=0").json()["readings"]
        return bool(readings) and readings[-1][1] == sensor.distance_mm

    jar.get_by_text("Measure it: calibrate the sensor").click()
    jar.get_by_role("button", name="Measure the empty jar").click()
    for filled, distance_mm in ((300, 111.4), (600, 71.4)):
        expect(jar.get_by_label("In all")).to_be_visible(timeout=WAIT_MS)
        sensor.distance_mm = distance_mm
        wait_until(heard, "the water is heard")
        jar.get_by_label("In all").fill(str(filled))
        jar.get_by_role("button", name="Measure this fill").click()
        expect(jar.get_by_text(f"{filled} ml: ")).to_be_visible(timeout=WAIT_MS)
    jar.get_by_role("button", name="That is all").click()
    expect(jar).to_contain_text("the sensor reads 151.4 mm", timeout=WAIT_MS)
    assert not serious(eyes.page)
    jar.get_by_role("button", name="Keep this").click()
    expect(jar).to_contain_text("Saved and in use.", timeout=WAIT_MS)
    text = house.config.read_text()
    assert re.search(r"^empty_mm = 151\.4 +# measured in spring$", text, re.MULTILINE)
    assert "geometry = {shape = " in text


def test_without_a_password_nothing_is_changed(sensor: Sensor, context: BrowserContext, tmp_path: Path) -> None:
    house = House(tmp_path, sensor)
    try:
        text = house.config.read_text().replace('password_file = "word"\n', "")
        house.config.write_text(text)
        house.process.terminate()
        house.process.wait(20)
        house.begin()
        wait_until(lambda: listens(house.port), "the page listens", 40)
        eyes = Eyes(context, f"{house.url}#/settings")
        expect(eyes.page.locator(".bad")).to_contain_text("Settings need a password")
        expect(part(eyes, "rye").get_by_role("button", name="Save")).to_be_disabled()
        token = {"x-jartide-token": eyes.page.request.get(f"{house.url}api/session").json()["token"]}
        body = {"password": "", "values": {"quiet_to": "05:00"}}
        answer = eyes.page.request.post(f"{house.url}api/settings", data=body, headers=token)
        assert answer.status == 403
        assert house.config.read_text() == text
    finally:
        house.process.terminate()
        house.process.wait(20)
