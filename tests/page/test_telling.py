"""What people say through the page's API: kept as the commands keep it, or refused with a sentence.

Rules held against: OWASP's cheat sheet on CSRF; RFC 9110 for statuses.
"""

from __future__ import annotations

import time

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.assess.notebook import discard_of
from monitor.page.guard import BODY_BYTES
from monitor.runs.report_body import DISCARD
from monitor.runs.store import Store
from monitor.settings import Settings
from monitor.values import Fed, Noted, Noting
from tests.page.serving import token
from tests.servers import wait_until

pytestmark = pytest.mark.dates

EVIL = '<img src=x onerror="alert(1)">'


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
    assert [(one.feeding.starter_g, one.feeding.flour_g, one.feeding.water_g, one.feeding.flour) for one in fed] == [
        (20, 60, 60, "rye")
    ]


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
