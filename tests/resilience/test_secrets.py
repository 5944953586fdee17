"""Secrets stay where they were put: the whole daemon at its most talkative, with a secret of every kind."""

from __future__ import annotations

import os
import secrets
import signal
import socket
import ssl
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import click
import httpx
import paho.mqtt.client as mqtt
import pytest

from monitor.cli import COMMANDS, main
from monitor.settings import MqttSettings
from monitor.sources import mqtt_link
from tests.daemon.test_watch import jartide, known, watching
from tests.servers import free_port, mosquitto, wait_until


class Refuses(BaseHTTPRequestHandler):
    """An endpoint that lets nobody in: what is refused is what tempts a program to say too much."""

    def do_POST(self) -> None:
        self.send_response(401)
        self.send_header("content-length", "0")
        self.end_headers()

    def log_message(self, *_: object) -> None: ...


@pytest.mark.fault("N6")
def test_no_secret_is_in_the_log_the_process_list_the_store_the_page_or_any_output(tmp_path: Path) -> None:
    words = {name: f"{name}-{secrets.token_hex(8)}" for name in ("broker", "page", "token", "notice", "influx")}
    endpoint = HTTPServer(("127.0.0.1", 0), Refuses)
    threading.Thread(target=endpoint.serve_forever, daemon=True).start()
    port, where = free_port(), f"127.0.0.1:{endpoint.server_port}"
    with mosquitto(tmp_path / "broker", passwords={"jar": words["broker"]}) as broker:
        for name in ("broker", "page"):
            (tmp_path / f"{name}_word").write_text(words[name])
            (tmp_path / f"{name}_word").chmod(0o600)
        (tmp_path / "jartide.toml").write_text(
            '[[jar]]\nname = "rye"\n[store]\npath = "s.db"\n'
            f'[[mqtt]]\nhost = "127.0.0.1"\nport = {broker.port}\nuser = "jar"\npassword_file = "broker_word"\n'
            f'[[mqtt]]\nhost = "localhost"\nport = {broker.port}\nuser = "jar"\npassword_env = "WRONG_WORD"\n'
            f'[page]\nport = {port}\npassword_file = "page_word"\ntoken_env = "PAGE_TOKEN"\n'
            '[notices]\nto_env = ["TELL"]\n'
            f'[influx]\nurl = "http://{where}"\ntoken_env = "INFLUX_TOKEN"\n'
        )
        environment = {
            "WRONG_WORD": f"wrong-{words['broker']}",
            "PAGE_TOKEN": words["token"],
            "TELL": f"json://somebody:{words['notice']}@{where}/{words['notice']}",
            "INFLUX_TOKEN": words["influx"],
        }
        with watching(tmp_path, "--debug", **environment) as process:
            wait_until(lambda: "let in" in (tmp_path / "log").read_text(), "the wrong word is refused")
            wait_until(lambda: known(tmp_path).get("sources", [{}])[0].get("connected"), "connected", 30)  # type: ignore[index]
            assert jartide("note", "rye", "mould", cwd=tmp_path).returncode == 0  # a notice, at once
            board = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
            board.username_pw_set("jar", words["broker"])
            board.connect("127.0.0.1", broker.port)
            board.loop_start()
            board.publish("jartide/rye/reading", '{"distance_mm": 90}', qos=1).wait_for_publish(60)
            board.disconnect()
            board.loop_stop()
            wait_until(lambda: "401" in (tmp_path / "log").read_text(), "a notice is refused")
            wait_until(lambda: "refuses the token" in (tmp_path / "log").read_text(), "and the readings")
            bearer = {"authorization": f"Bearer {words['token']}"}
            with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=60) as client:
                wait_until(lambda: answers(client), "the page answers")
                assert client.post("/login", data={"password": words["page"]}).status_code == 303
                seen = [client.get(path, headers=bearer).text for path in ("/", "/api/health", "/api/now", "/login")]
                seen.append(client.get("/api/nothing", headers={"authorization": f"Bearer x{words['token']}"}).text)
            processes = Path(f"/proc/{process.pid}/cmdline").read_bytes().decode()
            said = [jartide(*call, cwd=tmp_path) for call in (("status",), ("status", "--json"))]
            process.send_signal(signal.SIGTERM)
            assert process.wait(60) == 0
    endpoint.shutdown()
    store = b"".join(path.read_bytes() for path in tmp_path.glob("s.db*")).decode("latin-1")
    whole = {
        "log": (tmp_path / "log").read_text(),
        "process list": processes,
        "store": store,
        "page": "\n".join(seen),
        "output": "\n".join(one.stdout + one.stderr for one in said),
    }
    assert "DEBUG" in whole["log"]
    for place, text in whole.items():
        for name, word in words.items():
            assert word not in text, f"the {name} secret is in the {place}"


def answers(client: httpx.Client) -> bool:
    try:
        return client.get("/static/page.css").status_code == 200
    except httpx.TransportError:
        return False


@pytest.mark.fault("N6")
@pytest.mark.fault("C5")
@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_no_command_takes_a_secret_in_its_words(name: str) -> None:
    """Every user of the machine reads them in the process list (proc(5), cmdline)."""
    command = main.get_command(click.Context(main), name)
    assert command is not None
    commands = list(command.commands.values()) if isinstance(command, click.Group) else [command]
    for one in commands:
        for parameter in one.params:
            words = " ".join((parameter.name or "", *parameter.opts)).lower()
            assert not any(word in words for word in ("password", "token", "secret", "passphrase", "api_key")), words


@pytest.mark.fault("M18")
@pytest.mark.parametrize(
    ("host", "tls"),
    [("localhost", False), ("127.0.0.1", False), ("127.8.8.8", False), ("::1", False), ("broker.lan", True),
     ("192.168.1.5", True), ("localhost.evil.example", True), ("127.0.0.1.evil.example", True), ("0.0.0.0", True)],
)  # fmt: skip
def test_beyond_this_machine_nothing_goes_in_the_clear_unless_it_is_asked_for(host: str, tls: bool) -> None:
    settings = MqttSettings(host=host)
    assert mqtt_link.uses_tls(settings) == tls
    assert mqtt_link.address(settings) == (host, 8883 if tls else 1883)
    assert mqtt_link.uses_tls(MqttSettings(host=host, tls=not tls)) != tls


@pytest.mark.fault("M18")
def test_a_listener_without_tls_hears_no_password(tmp_path: Path) -> None:
    """What stands at a broker's TLS port and speaks no TLS gets a greeting that names nobody."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        heard: list[bytes] = []

        def listen() -> None:
            connection, _ = server.accept()
            with connection:
                connection.settimeout(60)
                heard.append(connection.recv(4096))

        listening = threading.Thread(target=listen)
        listening.start()
        os.environ["LISTENED_WORD"] = "tide-and-time"
        try:
            settings = MqttSettings(
                host="127.0.0.1", port=server.getsockname()[1], tls=True, user="jar", password_env="LISTENED_WORD"
            )
            with pytest.raises((ssl.SSLError, ConnectionError, TimeoutError)):
                mqtt_link.connect(mqtt_link.make_client(settings, "x"), settings, 30)
        finally:
            del os.environ["LISTENED_WORD"]
        listening.join(60)
    assert heard[0][:1] == b"\x16"  # a TLS handshake (RFC 8446, 5.1)
    assert b"tide-and-time" not in heard[0]
    assert b"jar" not in heard[0]
