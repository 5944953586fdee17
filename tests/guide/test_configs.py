"""Every config in the guide is read by what it is for: our own reader, apprise, a real nginx before the page,
VictoriaMetrics' reader of scrape settings. ntfy's server cannot be had here: of its settings only the form is held."""

from __future__ import annotations

import json
import re
import ssl
import subprocess
import time
from pathlib import Path

import httpx
import pytest
import yaml

from monitor import guide
from monitor.cli import reference
from monitor.config.reader import load
from monitor.sinks.mqtt_commands import COMMANDS, _command
from monitor.sources import wire
from tests.daemon.test_watch import watching
from tests.guide.blocks import Block, build, of
from tests.servers import Authority, free_port, listens, program, wait_until

SECRETS = ("mqtt_password", "page_password", "page_token", "notice_addresses", "influx_token", "page.crt", "page.key")


def written(folder: Path, text: str) -> Path:
    """A config of a jar and what the guide says to add; the files that it names are there."""
    for name in SECRETS:
        (folder / name).write_text("ntfy://ntfy.lan/jars\n" if name == "notice_addresses" else "word\n")
        (folder / name).chmod(0o600)
    path = folder / "jartide.toml"
    path.write_text(f'[[jar]]\nname = "rye"\nempty_mm = 180\n\n{text}')
    return path


@pytest.mark.parametrize("block", of("toml"), ids=str)
def test_every_config_is_one(tmp_path: Path, block: Block) -> None:
    settings = load(written(tmp_path, block.text))
    assert settings.any_source or "[[" not in block.text


@pytest.mark.parametrize("block", of("json"), ids=str)
def test_every_message_is_taken(block: Block) -> None:
    said = json.loads(block.text)
    if set(said) & set(COMMANDS):
        assert _command(block.text.encode(), False) == said
    else:
        assert wire.parse(block.text.strip().encode()).distance_mm == said["distance_mm"]


@pytest.mark.parametrize("address", [line for block in of("addresses") for line in block.lines])
def test_every_address_is_understood(address: str) -> None:
    import apprise

    assert apprise.Apprise.instantiate(address)


def test_the_scrape_settings_are_understood(tmp_path: Path) -> None:
    (block,) = of("yaml-scrape")
    (tmp_path / "token").write_text("x")
    path = tmp_path / "scrape.yaml"
    path.write_text(block.text.replace("/etc/prometheus/jartide_token", str(tmp_path / "token")))
    words = [program("victoria-metrics"), f"-promscrape.config={path}", "-dryRun", f"-storageDataPath={tmp_path / 'd'}",
             "-promscrape.config.strictParse=true"]  # fmt: skip
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr[-2000:]


def test_the_settings_of_ntfys_server_have_their_form() -> None:
    """Keys after https://docs.ntfy.sh/config/#config-options."""
    (block,) = of("yaml-ntfy")
    assert set(yaml.safe_load(block.text)) == {"base-url", "upstream-base-url", "auth-default-access"}


def test_the_page_behind_the_proxy(tmp_path: Path) -> None:
    """A real nginx with the guide's own block, moved to free ports and a certificate of the test's: the page, its API
    and its events come through, and the cookie is marked as one for TLS."""
    (nginx,) = of("nginx")
    mine = next(block for block in of("toml") if block.page == "proxy" and "proxies" in block.text)
    authority = Authority.make(tmp_path / "ca")
    certificate, key = authority.issue("jar.example.org")
    page, outside = free_port(), free_port()
    text = nginx.text
    for theirs, ours in (
        ("listen 443 ssl", f"listen 127.0.0.1:{outside} ssl"),
        ("/etc/ssl/jar.crt", certificate),
        ("/etc/ssl/jar.key", key),
        ("127.0.0.1:8140", f"127.0.0.1:{page}"),
    ):
        assert theirs in text
        text = text.replace(theirs, str(ours))
    kinds = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    places = "".join(f"{kind}_temp_path {tmp_path}/{kind};\n" for kind in kinds)
    conf = tmp_path / "nginx.conf"
    conf.write_text(
        f"daemon off;\npid {tmp_path}/pid;\nerror_log {tmp_path}/error.log;\nevents {{}}\n"
        f"http {{\naccess_log off;\n{places}{text}}}\n"
    )
    house = tmp_path / "house"
    house.mkdir()
    build(house, time.time())
    written(house, mine.text.replace("[page]", f"[page]\nport = {page}"))
    running = subprocess.Popen([program("nginx"), "-c", str(conf), "-p", str(tmp_path)], stderr=subprocess.DEVNULL)
    try:
        with watching(house):
            wait_until(lambda: listens(page) and listens(outside), "page and proxy listen")
            context = ssl.create_default_context(cafile=str(authority.file))
            headers = {"host": "jar.example.org"}
            with httpx.Client(base_url=f"https://127.0.0.1:{outside}", verify=context, headers=headers) as phone:
                named = {"sni_hostname": "jar.example.org"}
                assert phone.get("/", extensions=named).headers["location"] == "login"
                signed = phone.post("/login", data={"password": "word"}, extensions=named)
                assert "Secure" in signed.headers["set-cookie"]
                mine_is = {"cookie": signed.headers["set-cookie"].partition(";")[0]}
                assert phone.get("/api/now", headers=mine_is, extensions=named).json()["jars"][0]["jar"] == "rye"
                with phone.stream("GET", "/api/events", headers=mine_is, extensions=named) as events:
                    assert next(events.iter_bytes())  # not held back until the answer ends
    finally:
        running.terminate()
        running.wait(20)


def test_links_lead_to_pages_and_pictures_are_there() -> None:
    keys = {page.key for page in (*guide.pages(), *guide.keeper_pages(), *reference.outlines())}
    folder = Path(guide.__file__).parent
    for page in guide.keeper_pages():
        for target in re.findall(r"\]\((?!http)([^)]+)\)", page.text):
            assert target.removesuffix(".html") in keys or (folder / target).is_file(), (page.key, target)
