"""Who may ask the page, from where, and where it stands: names, passwords, proxies, ports.

Rules held against: OWASP cheat sheets on CSRF, XSS and session management; RFC 9110 for statuses; the Fetch metadata of
https://www.w3.org/TR/fetch-metadata/ .
"""

from __future__ import annotations

import http.client
import socket
from dataclasses import replace

import httpx
import pytest

from monitor.page.server import PageServer
from monitor.settings import PageSettings, Settings
from tests.page.serving import serving, token
from tests.servers import free_port, listens, wait_until


@pytest.mark.fault("W4")
@pytest.mark.parametrize(
    ("host", "status"),
    [("localhost", 200), ("127.0.0.1:8140", 200), ("[::1]:8140", 200), (socket.gethostname(), 200),
     ("evil.example", 400), ("127.0.0.1.evil.example", 400), ("localhost.evil.example:80", 400), ("", 400), ("[", 400)],
)  # fmt: skip
def test_only_its_own_names_are_answered(client: httpx.Client, host: str, status: int) -> None:
    assert client.get("/api/now", headers={"host": host}).status_code == status


def test_every_answer_says_what_browsers_may_do_with_it(client: httpx.Client) -> None:
    for path in ("/", "/api/now", "/static/page.js", "/nothing", "/static/chart.js"):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert "access-control-allow-origin" not in headers
    page = client.get("/").text
    assert " style=" not in page
    assert "onclick" not in page
    assert "<script>" not in page


@pytest.mark.fault("W1")
@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py", "/static/..%2fapp.py", "/static/%2e%2e/app.py", "/static/....//app.py",
        "/static//etc/passwd",
        "/static/..\\app.py", "/static/page.css%00.js", "/static/%2e%2e/%2e%2e/pip/__init__.py", "/chart/uplot.min.css",
        "/static/", "/static", "/static/%ff",
    ],
)  # fmt: skip
def test_files_are_only_its_own(client: httpx.Client, path: str) -> None:
    plain = http.client.HTTPConnection("127.0.0.1", client.base_url.port, timeout=5)
    plain.request("GET", path)  # as it is: httpx would tidy it up
    answer = plain.getresponse()
    assert answer.status in (400, 404, 405), path
    assert b"import" not in answer.read()


def test_a_file_is_sent_once(client: httpx.Client) -> None:
    first = client.get("/static/page.js", headers={"accept-encoding": "identity"})
    packed = client.get("/static/page.js")
    assert first.text == packed.text
    assert packed.headers["content-encoding"] == "gzip"
    assert client.get("/static/page.js", headers={"if-none-match": first.headers["etag"]}).status_code == 304


@pytest.mark.fault("W5")
def test_a_password_is_asked_for_and_tries_are_counted(household: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WORD", "tide and time")
    monkeypatch.setenv("TOKEN", "for-programs")
    with serving(household, password_env="WORD", token_env="TOKEN") as client:
        assert client.get("/").status_code == 303
        assert client.get("/").headers["location"] == "login"
        assert client.get("/api/now").status_code == 401
        assert client.get("/api/events").status_code == 401
        assert client.post("/api/jars/rye/noted", json={"what": "hooch"}).status_code == 401
        assert client.get("/static/page.css").status_code == 200
        assert client.post("/login", data={"password": "tide"}).status_code == 403
        cross = {"sec-fetch-site": "cross-site"}
        assert client.post("/login", data={"password": "tide and time"}, headers=cross).status_code == 403
        before = client.cookies.get("jartide")
        assert client.post("/login", data={"password": "tide and time"}).status_code == 303
        assert client.cookies.get("jartide") != before
        assert client.get("/api/now").status_code == 200
        assert client.post("/api/jars/rye/noted", json={"what": "hooch"}, headers=token(client)).status_code == 201
        assert client.post("/logout").status_code == 303
        assert client.get("/api/now").status_code == 401

        program = {"authorization": "Bearer for-programs"}
        with httpx.Client(base_url=client.base_url) as bare:
            assert bare.get("/api/now", headers=program).status_code == 200
            assert bare.post("/api/jars/rye/noted", json={"what": "smell"}, headers=program).status_code == 201
            assert bare.get("/api/now", headers={"authorization": "Bearer no"}).status_code == 401
        statuses = [client.post("/login", data={"password": f"guess {n}"}).status_code for n in range(8)]
        assert statuses[-1] == 429
        late = client.post("/login", data={"password": "tide and time"})
        assert late.status_code == 429  # the right one too: whoever guesses learns nothing
        assert int(late.headers["retry-after"]) > 0


def test_a_new_password_signs_everybody_out_and_a_restart_nobody(
    household: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WORD", "first")
    with serving(household, password_env="WORD") as client:
        client.post("/login", data={"password": "first"})
        cookie = client.cookies["jartide"]
    with serving(household, password_env="WORD") as client:
        assert client.get("/api/now", headers={"cookie": f"jartide={cookie}"}).status_code == 200
    monkeypatch.setenv("WORD", "second")
    with serving(household, password_env="WORD") as client:
        assert client.get("/api/now", headers={"cookie": f"jartide={cookie}"}).status_code == 401


@pytest.mark.fault("W5")
def test_it_does_not_open_to_the_network_unlocked(household: Settings) -> None:
    port = free_port()
    server = PageServer(replace(household, page=PageSettings(host="0.0.0.0", port=port)))
    server.start()
    wait_until(lambda: server.trouble(), "it says why")
    assert "set password_file in [page]" in (server.trouble() or "")
    assert not listens(port)
    server.stop()


@pytest.mark.fault("W5")
def test_a_missing_password_is_trouble_and_not_an_open_door(
    household: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("WORD", raising=False)
    port = free_port()
    server = PageServer(replace(household, page=PageSettings(port=port, password_env="WORD")))
    server.start()
    wait_until(lambda: server.trouble(), "it says why")
    assert "WORD is not set" in (server.trouble() or "")
    assert not listens(port)
    server.stop()


@pytest.mark.fault("W5")
def test_read_only_shows_and_takes_nothing(household: Settings) -> None:
    with serving(household, read_only=True) as client:
        assert client.get("/api/now").status_code == 200
        assert "data-read-only" in client.get("/").text
        assert client.post("/api/jars/rye/noted", json={"what": "hooch"}, headers=token(client)).status_code == 403


@pytest.mark.fault("W10")
def test_behind_a_proxy_with_a_path_and_tls(household: Settings) -> None:
    with serving(household, prefix="/jartide", names=("jar.example.org",), proxies=("127.0.0.1",)) as client:
        assert client.get("/jartide").headers["location"].endswith("/jartide/")
        client.cookies.clear()
        page = client.get("/jartide/", headers={"host": "jar.example.org", "x-forwarded-proto": "https"})
        assert page.status_code == 200
        assert "; Secure" in page.headers["set-cookie"]
        assert 'href="/' not in page.text  # every link is relative to where the page is shown
        assert 'src="/' not in page.text
        assert client.get("/jartide/api/now").status_code == 200
        assert client.get("/jartide/static/page.css").status_code == 200
        good = {"x-jartide-token": client.get("/jartide/api/session").json()["token"]}
        assert client.post("/jartide/api/jars/rye/noted", json={"what": "hooch"}, headers=good).status_code == 201
        assert client.post("/jartide/api/jars/rye/noted", json={"what": "hooch"}).status_code == 403
        assert client.get("/api/now").status_code == 200  # a proxy that takes the path off


@pytest.mark.fault("W10")
def test_over_ipv6(household: Settings) -> None:
    if not socket.has_ipv6:
        pytest.skip("this machine has no IPv6")
    with serving(household, host="::1") as client:
        assert client.get("/api/now").status_code == 200


def test_a_taken_port_is_trouble_for_the_page_alone(household: Settings) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        server = PageServer(replace(household, page=PageSettings(port=port)))
        server.start()
        wait_until(lambda: server.trouble(), "it says so")
        assert f"port {port} of 127.0.0.1" in (server.trouble() or "")
        server.wake()
        server.stop()
        wait_until(lambda: not server._thread.is_alive(), "it ends")
