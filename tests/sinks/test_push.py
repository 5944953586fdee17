"""Web Push against a push service of the test's own: TLS, the form of RFC 8030, the signature of RFC 8292, and what is
sent read with the keys of the phone by `http_ece`, the reference implementation of RFC 8188 that RFC 8291 builds on.
"""

from __future__ import annotations

import base64
import json
import ssl
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import http_ece
import pytest
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, utils

from monitor.check import ground
from monitor.host import push_key
from monitor.runs import outbox, phones
from monitor.runs.phones import Phone
from monitor.runs.store import Store
from monitor.settings import NoticeSettings, PageSettings, Settings, StoreSettings
from monitor.sinks.channel_queue import ChannelQueue
from monitor.sinks.push_channel import PushChannel
from tests.servers import Authority
from tests.sinks.delivering import NOW, Monotonic, notice, states

PAGE = "https://jar.example.org/jartide/"


def b64(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def unb64(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


@dataclass
class Handset:
    """A phone's side of a subscription."""

    private: ec.EllipticCurvePrivateKey = field(default_factory=lambda: ec.generate_private_key(ec.SECP256R1()))
    secret: bytes = b"0123456789abcdef"

    def subscription(self, endpoint: str) -> Phone:
        point = self.private.public_key().public_bytes(
            serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
        )
        return {"endpoint": endpoint, "keys": {"p256dh": b64(point), "auth": b64(self.secret)}}

    def read(self, body: bytes) -> dict[str, str]:
        plain = http_ece.decrypt(body, private_key=self.private, auth_secret=self.secret, version="aes128gcm")
        return dict(json.loads(plain))


@dataclass
class Service:
    """The push service: what came to which path, and what each path answers."""

    port: int = 0
    answers: dict[str, int] = field(default_factory=dict)
    got: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)

    def endpoint(self, name: str) -> str:
        return f"https://localhost:{self.port}/push/{name}"

    def to(self, name: str) -> list[bytes]:
        return [body for path, _, body in self.got if path == f"/push/{name}"]


@pytest.fixture
def service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Service]:
    authority = Authority.make(tmp_path / "ca")
    certificate, key = authority.issue("localhost")
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(authority.file))
    made = Service()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            made.got.append((self.path, {name.lower(): value for name, value in self.headers.items()}, body))
            self.send_response(made.answers.get(self.path.rpartition("/")[2], 201))
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("localhost", 0), Handler)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    server.socket = context.wrap_socket(server.socket, server_side=True)
    made.port = server.server_address[1]
    threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
    yield made
    server.shutdown()
    server.server_close()


def test_a_notice_reaches_the_phone_and_only_the_phone_can_read_it(
    store: Store, service: Service, tmp_path: Path
) -> None:
    handset = Handset()
    phones.add(store, handset.subscription(service.endpoint("mine")))
    outbox.put(store, [notice(text="Es fällt seit 02:10.")], NOW)
    channel = PushChannel(tmp_path / "jartide.db", PAGE, lambda jar: f"{PAGE}fed/{jar}-x")
    assert ChannelQueue(channel, {channel.key}, lambda: NOW).turn(store) is None
    assert states(store) == ["sent"]
    ((_, headers, body),) = service.got
    assert handset.read(body) == {
        "title": "feed_now rye", "text": "Es fällt seit 02:10.", "link": f"{PAGE}#/jar/rye",
        "button": f"{PAGE}fed/rye-x",
    }  # fmt: skip
    assert headers["content-encoding"] == "aes128gcm"
    assert int(headers["ttl"]) == 43_200
    # RFC 8292: `vapid t=JWT, k=KEY`; the token signed with ES256 for the service's origin, by the key that is offered
    given = dict(part.split("=", 1) for part in headers["authorization"].removeprefix("vapid ").split(", "))
    assert given["k"] == push_key.public(phones.key(store))
    head, claims, signature = given["t"].split(".")
    raw = unb64(signature)
    ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), unb64(given["k"])).verify(
        utils.encode_dss_signature(int.from_bytes(raw[:32], "big"), int.from_bytes(raw[32:], "big")),
        f"{head}.{claims}".encode(),
        ec.ECDSA(hashes.SHA256()),
    )
    said = json.loads(unb64(claims))
    assert said["aud"] == f"https://localhost:{service.port}"
    assert said["sub"] == "mailto:jartide@jar.example.org"


@pytest.mark.fault("W15")
def test_a_phone_that_is_gone_is_forgotten_and_one_that_cannot_be_reached_is_tried_again(
    store: Store, service: Service, tmp_path: Path
) -> None:
    names = ("mine", "gone", "stranger", "down")
    for name in names:
        phones.add(store, Handset().subscription(service.endpoint(name)))
    service.answers = {"gone": 410, "stranger": 403, "down": 503}
    outbox.put(store, [notice()], NOW)
    channel, clock = PushChannel(tmp_path / "jartide.db", PAGE, None), Monotonic()
    queue = ChannelQueue(channel, {channel.key}, lambda: NOW, clock)
    while (wait_s := queue.turn(store)) is not None:
        clock.now_s += wait_s
    assert {name: len(service.to(name)) for name in names} == {"mine": 1, "gone": 1, "stranger": 1, "down": 3}
    left = [phone["endpoint"].rpartition("/")[2] for phone in phones.phones(store)]
    assert left == ["mine", "down"]
    outbox.put(store, [notice("too_cold")], NOW)
    service.answers = {}
    assert queue.turn(store) is None
    assert len(service.to("down")) == 4


def test_nobody_is_told_falsely_where_no_phone_can_be_reached(store: Store, service: Service, tmp_path: Path) -> None:
    phones.add(store, Handset().subscription(service.endpoint("down")))
    service.answers = {"down": 500}
    outbox.put(store, [notice()], NOW)
    channel, clock = PushChannel(tmp_path / "jartide.db", PAGE, None), Monotonic()
    queue = ChannelQueue(channel, {channel.key}, lambda: NOW, clock)
    for _ in range(5):
        clock.now_s += queue.turn(store) or 0.0
    assert states(store) == ["pending"]
    assert "Internal Server Error" in (queue.trouble() or "")


def test_check_sends_a_test_to_each_phone(store: Store, service: Service, tmp_path: Path) -> None:
    settings = Settings(
        jars=(), store=StoreSettings(path=tmp_path / "jartide.db"), notices=NoticeSettings(console=False),
        page=PageSettings(address=PAGE),
    )  # fmt: skip
    handset = Handset()
    phones.add(store, handset.subscription(service.endpoint("mine")))
    (quiet,) = ground.notices(settings, send_test=False)
    assert (quiet.state, quiet.says.startswith("1 phone by Web Push")) == ("ok", True)
    (sent,) = ground.notices(settings, send_test=True)
    assert (sent.state, "did it arrive" in sent.says) == ("ok", True)
    assert handset.read(service.to("mine")[0])["title"] == "Jartide test"


def test_it_is_offered_only_where_browsers_and_this_installation_can(monkeypatch: pytest.MonkeyPatch) -> None:
    secure = PageSettings(address=PAGE)
    assert phones.offered(secure)
    assert phones.offered(PageSettings(cert_file=Path("page.crt"), key_file=Path("page.key")))
    assert not phones.offered(PageSettings(address="http://jar.lan"))
    assert not phones.offered(PageSettings(address=PAGE, read_only=True))
    monkeypatch.setattr(push_key, "find_spec", lambda _: None)
    assert not phones.offered(secure)


def test_no_more_phones_are_kept_than_a_household_has(store: Store) -> None:
    for n in range(phones.MOST + 3):
        phones.add(store, Handset().subscription(f"https://push.example.org/{n}"))
    kept = [phone["endpoint"] for phone in phones.phones(store)]
    assert (len(kept), kept[0]) == (phones.MOST, "https://push.example.org/3")
    again = Handset(secret=b"fedcba9876543210").subscription(kept[0])
    phones.add(store, again)
    assert phones.phones(store)[-1] == again
    assert len(phones.phones(store)) == phones.MOST
