"""The page's server from outside: what it answers, whom it lets in, and what it does when things are wrong.

Rules held against: OWASP cheat sheets on CSRF, XSS and session management; RFC 9110 for statuses; the Fetch metadata of
https://www.w3.org/TR/fetch-metadata/ ; the HTML standard's server-sent events.
"""

from __future__ import annotations

import http.client
import json
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.assess.notebook import discard_of
from monitor.page import live as live_module
from monitor.page.guard import BODY_BYTES
from monitor.page.server import PageServer
from monitor.page.telling import DISCARD
from monitor.runs import transfer
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import PageSettings, Settings
from monitor.values import Fed, Noted, Noting
from tests.page_house import grow, settings_of
from tests.servers import free_port, listens, wait_until

EVIL = '<img src=x onerror="alert(1)">'


@pytest.fixture(scope="module")
def household(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    """A day and a half of one jar."""
    settings = settings_of(tmp_path_factory.mktemp("house"), ["rye"])
    grow(settings, 1.5, time.time())
    return settings


@contextmanager
def serving(settings: Settings, **page: object) -> Iterator[httpx.Client]:
    """The page on a free port, and a client that has its own cookies."""
    port = free_port()
    host = str(page.get("host", "127.0.0.1"))
    settings = replace(settings, page=PageSettings(**{"port": port, **page}))  # type: ignore[arg-type]
    server = PageServer(settings)
    server.start()
    try:
        base = f"http://[{host}]:{port}" if ":" in host else f"http://127.0.0.1:{port}"
        with httpx.Client(base_url=base, timeout=20) as client:
            wait_until(lambda: _up(client), f"the page answers ({server.trouble()})")
            yield client
    finally:
        server.stop()


def _up(client: httpx.Client) -> bool:
    try:
        return client.get("/static/page.css").status_code == 200
    except httpx.TransportError:
        return False


@pytest.fixture(scope="module")
def client(household: Settings) -> Iterator[httpx.Client]:
    with serving(household) as client:
        wait_until(lambda: client.get("/api/now").json()["jars"], "the first look at the store")
        yield client


def token(client: httpx.Client) -> dict[str, str]:
    return {"x-jartide-token": client.get("/api/session").json()["token"]}


# --- looking


def test_now_says_what_the_daemon_believes(client: httpx.Client) -> None:
    jar = client.get("/api/now").json()["jars"][0]
    assert jar["jar"] == "rye"
    assert jar["stage"] == "falling"
    assert jar["stage_words"] == "sinking, hungry"
    assert 1.7 < jar["rise_ratio"] < 2.0  # the invented curve doubles and has sunk a little since
    assert jar["last_feeding"] == {"starter_g": 25.0, "flour_g": 100.0, "water_g": 100.0, "flour": "rye"}
    assert jar["next_notice"]["words"].startswith("Feed rye now")
    assert jar["health"] == []
    assert jar["heard"]["words"] == "just now" or "min ago, " in jar["heard"]["words"]


def test_the_stores_size_counts_what_is_not_taken_over_yet(household: Settings, client: httpx.Client) -> None:
    def size() -> int:
        return sum(p.stat().st_size for p in household.store.path.parent.glob("jartide.db*") if p.suffix != ".db-shm")

    with Store.join(household.store.path) as store:
        store.set_meta("padding", "x" * 500_000)
        assert household.store.path.with_name("jartide.db-wal").stat().st_size >= 500_000
        assert client.get("/api/health").json()["store"]["bytes"] == size()


def test_the_stores_readings_are_counted_with_those_of_imported_runs(household: Settings, tmp_path: Path) -> None:
    night = tmp_path / "night.csv"
    night.write_text("# jar: old\ntime,distance_mm\n2026-03-02T06:00:00Z,50\n2026-03-02T06:05:00Z,50\n")
    settings = replace(household, store=replace(household.store, path=tmp_path / "another.db"))
    with Store.open(settings.store.path) as store:
        store.tell(Noted(time_s=time.time(), jar="rye", what=Noting.HOOCH, text=""), time.time())
        transfer.import_file(store, night, time.time())
    with serving(settings) as client:
        assert client.get("/api/health").json()["store"]["items"] == 3


def test_the_open_curve_has_its_highest_and_lowest_reading(household: Settings, client: httpx.Client) -> None:
    got = client.get("/api/jars/rye/curve").json()
    curve = got["curve"]
    with Store.join(household.store.path) as store:
        rows = store.query(
            "SELECT time_s, distance_mm FROM item WHERE told IS NULL AND distance_mm < 180 AND time_s >= ?",
            (got["fed_at_s"] - 900,),
        )
    assert max(curve["highest_mm"]) == pytest.approx(180 - min(d for _, d in rows), abs=0.06)
    assert min(curve["lowest_mm"]) == pytest.approx(180 - max(d for _, d in rows), abs=0.06)
    assert curve["time_s"] == sorted(curve["time_s"])


def test_past_cycles_are_those_of_the_store(household: Settings, client: httpx.Client) -> None:
    past = client.get("/api/jars/rye/cycles").json()
    with Store.join(household.store.path) as store:
        kept = [cycle for run in store.runs() for cycle in store.cycles(run.id)]
    assert [row["cycle"] for row in past["cycles"]] == [cycle.number for cycle in reversed(kept)]
    closed = next(row for row in past["cycles"] if row["hours_to_fall"] and row["ended_at_s"])
    assert closed["ratio"] == "1:4:4"
    assert 5.5 < closed["hours_to_fall"] < 7.5  # tests.night sinks from 6.5 h on
    one = client.get(f"/api/runs/{closed['run']}/cycles/{closed['cycle']}").json()
    assert max(one["clock_h"]) == pytest.approx(12.0, abs=0.3)
    # at 23.5 degC an hour is worth a little less than one at 24
    assert all(0.9 * h < e < h for h, e in zip(one["clock_h"][1:], one["equivalent_h"][1:], strict=True))
    assert [mark["kind"] for mark in one["marks"]][:3] == ["fed", "peak", "fall"]


def test_a_past_cycle_is_looked_back_upon_as_review_does(household: Settings, client: httpx.Client) -> None:
    from click.testing import CliRunner

    from monitor.cli.review import review

    row = next(r for r in client.get("/api/jars/rye/cycles").json()["cycles"] if r["hours_to_fall"] and r["ended_at_s"])
    top = client.get(f"/api/runs/{row['run']}/cycles/{row['cycle']}/top").json()
    assert top["peak_at"]["earliest_s"] <= top["peak_at"]["likely_s"] <= top["peak_at"]["latest_s"]
    assert top["hours_to_peak"][0] < 6.3 < top["hours_to_peak"][2] + 0.5  # tests.night: its top lies about there
    assert top["hours_to_fall"][1] > top["hours_to_peak"][1]
    words = [f"{row['run']}:{row['cycle']}", "--store", str(household.store.path), "--empty-mm", "180", "--json"]
    (cycle,) = json.loads(CliRunner().invoke(review, words).stdout)["cycles"]
    assert list(cycle["hours_to_peak"].values()) == pytest.approx(top["hours_to_peak"], abs=0.2)
    assert list(cycle["rise_ratio"].values()) == pytest.approx(top["rise_ratio"], abs=0.05)


def test_the_page_brings_the_first_view_along(client: httpx.Client) -> None:
    page = client.get("/").text
    held = page.partition('<script type="application/json" id="first">')[2].partition("</script>")[0]
    first = json.loads(held)
    assert first["now"]["jars"][0]["jar"] == "rye"
    assert first["curves"]["rye"]["curve"] == client.get("/api/jars/rye/curve").json()["curve"]


def test_a_plan_is_that_of_the_command(household: Settings, client: httpx.Client, tmp_path: Path) -> None:
    from click.testing import CliRunner

    from monitor.cli.plan import plan

    config = tmp_path / "jartide.toml"
    config.write_text(f'[[jar]]\nname = "rye"\nflour = "rye"\n[store]\npath = "{household.store.path}"\n')
    arguments = [
        "--jar",
        "rye",
        "--config",
        str(config),
        "--target-hours",
        "10",
        "--temperature-c",
        "21",
        "--format",
        "json",
    ]
    said = json.loads(CliRunner().invoke(plan, arguments).stdout)
    got = client.get("/api/jars/rye/plan", params={"target_h": 10, "temperature_c": 21}).json()
    assert {key: said[key] for key in ("starter_g", "flour_g", "water_g", "ratio", "because", "met")} == {
        key: got[key] for key in ("starter_g", "flour_g", "water_g", "ratio", "because", "met")
    }
    assert list(said["hours_to_fall"].values()) == got["hours_to_fall"]


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/api/jars/nobody/curve", 404),
        ("/api/jars/nobody/cycles", 404),
        ("/api/runs/99/cycles/1", 404),
        ("/api/runs/99/cycles/1/top", 404),
        ("/api/runs/x/cycles/1/top", 422),
        ("/api/runs/x/cycles/1", 422),
        ("/api/runs/99999999999999/cycles/1", 422),
        (f"/api/runs/{'9' * 5000}/cycles/1", 422),
        ("/api/runs/²/cycles/1", 422),
        ("/api/jars/rye/plan?target_h=inf", 422),
        ("/api/jars/rye/plan?target_h=1e9", 422),
        ("/api/jars/rye/plan?temperature_c=hot", 422),
        ("/api/nothing", 404),
    ],
)
def test_what_is_asked_wrongly_is_answered_with_a_sentence(client: httpx.Client, path: str, status: int) -> None:
    answer = client.get(path)
    assert answer.status_code == status
    assert answer.json()["error"]


# --- telling


@pytest.mark.fault("W2")
def test_told_things_are_kept_as_the_commands_keep_them(household: Settings, client: httpx.Client) -> None:
    told = client.post(
        "/api/jars/rye/noted", json={"what": "remark", "text": EVIL, "minutes_ago": 30}, headers=token(client)
    )
    assert told.status_code == 201
    with Store.join(household.store.path) as store:
        note = store.told("rye")[-1]
    assert note == Noted(time_s=told.json()["at_s"], jar="rye", what=Noting.REMARK, text=EVIL)


def test_a_feeding_is_taken_once_however_often_it_is_tapped(household: Settings, client: httpx.Client) -> None:
    grams = {"starter_g": 20, "flour_g": 60, "water_g": 60}
    first = client.post("/api/jars/rye/fed", json=grams, headers=token(client))
    second = client.post("/api/jars/rye/fed", json=grams, headers=token(client))
    assert (first.status_code, second.status_code) == (201, 409)
    with Store.join(household.store.path) as store:
        fed = [one for one in store.told("rye", time.time() - 60) if isinstance(one, Fed)]
    assert [(one.starter_g, one.flour_g, one.water_g, one.flour) for one in fed] == [(20, 60, 60, "rye")]


@pytest.mark.parametrize(
    "body",
    [
        [], "fed", {"starter_g": -1}, {"starter_g": 1e9}, {"flour_g": "100"}, {"water_g": True}, {"more": 1},
        {"flour": "x" * 101}, {"minutes_ago": -5}, {"minutes_ago": 1e6}, {"starter_g": [1]},
        {"starter_g": 10**400}, {"starter_g": 1e-300}, {"water_g": 0.05}, {"flour_g": 0},
    ],
)  # fmt: skip
def test_a_feeding_that_cannot_be_is_refused(client: httpx.Client, body: object) -> None:
    answer = client.post("/api/jars/rye/fed", json=body, headers=token(client))
    assert answer.status_code == 422
    assert answer.json()["error"]


@pytest.mark.parametrize(
    "text", [None, "", "kept", "40", "thrown 0", "kept -4", "kept 40 used 20", "a 40", "used 12\n"]
)
def test_a_discard_says_what_became_of_it_and_grams(household: Settings, client: httpx.Client, text: object) -> None:
    body = {"what": "discard", "text": text}
    answer = client.post("/api/jars/rye/noted", json=body, headers=token(client))
    assert answer.status_code == 422
    assert "kept 40" in answer.json()["error"]


@given(st.from_regex(DISCARD, fullmatch=True))
def test_every_discard_that_is_taken_can_be_counted(text: str) -> None:
    assert discard_of(text) is not None or text.endswith("\n")


@pytest.mark.parametrize("hours", ["3", None, 0, 99999, True])
def test_a_snooze_needs_hours(household: Settings, client: httpx.Client, hours: object) -> None:
    answer = client.post("/api/jars/rye/snoozed", json={"hours": hours}, headers=token(client))
    assert answer.status_code == 422
    assert client.post("/api/jars/rye/snoozed", json={"hours": 2.5}, headers=token(client)).status_code == 201
    with Store.join(household.store.path) as store:
        notes = store.told("rye", time.time() - 60)
    assert (notes[-1].what, notes[-1].text) == (Noting.SNOOZE, "2.5")  # type: ignore[union-attr]


@pytest.mark.parametrize(
    "raw", [b"", b"{", b"NaN", b"\xff\xfe", b'{"starter_g": NaN}', b"[" * 16000], ids=lambda raw: repr(raw[:12])
)
def test_a_body_that_is_no_json_is_refused(client: httpx.Client, raw: bytes) -> None:
    headers = {**token(client), "content-type": "application/json"}
    answer = client.post("/api/jars/rye/fed", content=raw, headers=headers)
    assert answer.status_code in (400, 422)


@pytest.mark.fault("W6")
def test_a_body_that_goes_on_is_cut_off(client: httpx.Client) -> None:
    headers = {**token(client), "content-type": "application/json"}
    assert client.post("/api/jars/rye/fed", content=b" " * (BODY_BYTES + 1), headers=headers).status_code == 413
    chunks = (b" " * 8192 for _ in range(4))
    assert client.post("/api/jars/rye/fed", content=chunks, headers=headers).status_code == 413


@pytest.mark.fault("W3")
def test_another_site_cannot_feed_a_jar(client: httpx.Client) -> None:
    good = token(client)
    body = {"what": "hooch"}
    for headers in (
        {},
        {"x-jartide-token": "0" * 64},
        {**good, "origin": "http://evil.example"},
        {**good, "origin": "null"},
        {**good, "origin": "http://["},
        {**good, "sec-fetch-site": "cross-site"},
        {**good, "sec-fetch-site": "same-site"},
    ):
        assert client.post("/api/jars/rye/noted", json=body, headers=headers).status_code == 403, headers
    assert (
        client.post("/api/jars/rye/noted", content=b"{}", headers={**good, "content-type": "text/plain"}).status_code
        == 415
    )
    with httpx.Client(base_url=client.base_url) as stranger:  # the token of one browser in the hands of another
        assert stranger.post("/api/jars/rye/noted", json=body, headers=good).status_code == 403
    fine = {**good, "sec-fetch-site": "same-origin", "origin": str(client.base_url).rstrip("/")}
    assert client.post("/api/jars/rye/noted", json=body, headers=fine).status_code == 201


def test_what_was_told_last_is_taken_back_once(household: Settings, client: httpx.Client) -> None:
    told = client.post("/api/jars/rye/noted", json={"what": "stirred"}, headers=token(client)).json()
    later = client.post("/api/jars/rye/noted", json={"what": "hooch"}, headers=token(client)).json()
    for seq, status in ((told["seq"], 409), (later["seq"], 201), (later["seq"], 409), ("3", 422), (None, 422)):
        answer = client.post("/api/jars/rye/taken_back", json={"seq": seq}, headers=token(client))
        assert answer.status_code == status, (seq, answer.text)
    with Store.join(household.store.path) as store:
        notes = [one.what for one in store.told("rye", time.time() - 60) if isinstance(one, Noted)]
    assert Noting.STIRRED in notes
    assert Noting.HOOCH not in notes[-1:]


@pytest.mark.fault("W2")
def test_mould_is_what_a_card_says_until_another_starter_is_in(household: Settings, client: httpx.Client) -> None:
    def tell(what: str) -> int:
        return int(client.post("/api/jars/rye/noted", json={"what": what}, headers=token(client)).json()["seq"])

    def now() -> dict[str, object]:
        return dict(client.get("/api/now").json()["jars"][0])

    assert now()["throw_away"] is None
    assert client.get("/api/jars/rye/plan").status_code == 200
    tell("mould")
    feeding = {"starter_g": 25, "flour_g": 100, "water_g": 100}
    assert client.post("/api/jars/rye/fed", json=feeding, headers=token(client)).status_code in (201, 409)
    wait_until(lambda: now()["throw_away"], "the page knows of the mould")
    assert "throw all of it away" in str(now()["throw_away"])
    assert now()["forecast"] is None
    assert now()["next_notice"] is None
    refused = client.get("/api/jars/rye/plan")
    assert (refused.status_code, "throw all of it away" in refused.json()["error"]) == (409, True)
    tell("new_starter")
    wait_until(lambda: now()["throw_away"] is None, "another starter is in it")
    assert client.get("/api/jars/rye/plan").status_code == 200


# --- who asks


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


# --- where it stands


@pytest.mark.fault("W10")
def test_behind_a_proxy_with_a_path_and_tls(household: Settings) -> None:
    with serving(household, prefix="/jartide", names=("jar.example.org",)) as client:
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


# --- events


def test_changes_come_as_events_and_can_be_taken_up_again(household: Settings, client: httpx.Client) -> None:
    place = client.get("/api/now").json()["place"]
    client.post("/api/jars/rye/noted", json={"what": "smell"}, headers=token(client))
    with client.stream("GET", "/api/events", params={"after": place}) as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        assert "content-encoding" not in stream.headers
        lines = stream.iter_lines()
        assert next(lines) == "retry: 2000"
        next_id = next(line for line in lines if line.startswith("id: "))
        news = json.loads(next(line for line in lines if line.startswith("data: "))[6:])
    assert news["jars"][0]["notes"][-1]["what"] == "smell"
    for after in (
        "",
        "elsewhere-7",
        next_id[4:].split("-")[0] + "-999999",
        next_id[4:].split("-")[0] + "-" + "9" * 5000,
        "x" * 500,
    ):
        with client.stream("GET", "/api/events", headers={"last-event-id": after}) as stream:
            lines = stream.iter_lines()
            assert "event: again" in [next(lines) for _ in range(4)]


@pytest.mark.fault("W6")
def test_streams_are_capped(client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    import monitor.page.app as app_module

    monkeypatch.setattr(app_module, "MOST_PAGES", 3)
    with httpx.Client(base_url=client.base_url, timeout=20) as many:
        open_ones = [many.send(many.build_request("GET", "/api/events"), stream=True) for _ in range(5)]
        try:
            assert sorted(answer.status_code for answer in open_ones) == [200, 200, 200, 503, 503]
        finally:
            for answer in open_ones:
                answer.close()
    wait_until(lambda: _may_stream(client), "closed pages are let go")


def _may_stream(client: httpx.Client) -> bool:
    with client.stream("GET", "/api/events") as stream:
        return stream.status_code == 200


@pytest.mark.fault("W9")
def test_a_store_that_cannot_be_read_is_a_sentence_and_it_comes_back(
    household: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live_module, "HEARTBEAT_S", 0.1)
    with serving(household) as client:
        wait_until(lambda: client.get("/api/now").json()["jars"], "the first look")
        real = Store.query

        def broken(*_: object) -> None:
            raise StoreTrouble("jartide.db: another program keeps it locked", lasting=False)

        monkeypatch.setattr(Store, "query", broken)
        assert client.get("/").status_code == 200
        for path in ("/api/health", "/api/jars/rye/cycles", "/api/trials"):
            answer = client.get(path)
            assert answer.status_code == 503
            assert "locked" in answer.json()["error"]
        wait_until(lambda: client.get("/api/now").json()["trouble"], "the page says so")
        assert client.get("/api/now").json()["jars"]  # what was known is still shown
        monkeypatch.setattr(Store, "query", real)
        wait_until(lambda: client.get("/api/now").json()["trouble"] is None, "it is over")
        assert client.get("/api/health").status_code == 200
