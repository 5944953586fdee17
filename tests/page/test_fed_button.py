"""The button of a notice: one jar, one thing to tell, for a day and a half; looking at it tells nothing.

A link in a mail is fetched by scanners before anybody reads it: GET is safe (RFC 9110, section 9.2.1)."""

from __future__ import annotations

import time
from dataclasses import replace

import httpx
import pytest

from monitor.page import for_programs
from monitor.page.server import button_of
from monitor.page.sessions import GRANT_S, Seal
from monitor.runs.store import Store
from monitor.settings import PageSettings, Settings
from monitor.values import Fed
from tests.page.serving import serving

NOW_S = 1_790_000_000.0


def fed_since(settings: Settings, seq: int) -> int:
    with Store.join(settings.store.path) as store:
        return sum(isinstance(arrival.item, Fed) for arrival in store.arrivals("rye", seq))


@pytest.mark.fault("W14")
def test_a_press_tells_a_feeding_once(household: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WORD", "tide")
    page = {"password_env": "WORD", "address": "http://kitchen.local:8140"}
    with Store.join(household.store.path) as store:
        before = store.last_seq()
    with serving(household, **page) as client:
        made = button_of(replace(household, page=PageSettings(**page)), time.time)  # type: ignore[arg-type]
        assert made is not None
        path = made("rye").removeprefix("http://kitchen.local:8140")
        with httpx.Client(base_url=client.base_url) as phone:
            looked = phone.get(path)
            assert (looked.status_code, "I just fed rye" in looked.text) == (200, True)
            assert fed_since(household, before) == 0
            assert phone.post(path).status_code == 201
            assert fed_since(household, before) == 1
            assert phone.post(path).status_code == 409  # a thumb that taps twice
            forged = path[:-3] + ("AAA" if not path.endswith("AAA") else "BBB")
            assert phone.post(forged).status_code == 404
            assert phone.post(path, headers={"sec-fetch-site": "cross-site"}).status_code == 403
            assert phone.get("/api/now").status_code == 401  # it opens nothing else
    monkeypatch.setenv("WORD", "another")
    with serving(household, **page) as client:
        assert client.post(path).status_code == 404


def test_a_grant_is_of_one_jar_and_ends() -> None:
    seal = Seal("key", "word", None)
    grant = seal.grant("rye", NOW_S)
    assert seal.granted(grant, NOW_S + GRANT_S - 1) == "rye"
    assert seal.granted(grant, NOW_S + GRANT_S + 1) is None
    assert seal.granted(seal.cookie(seal.begin(NOW_S, signed_in=True)), NOW_S) is None
    assert seal.granted("x" * 400, NOW_S) is None
    assert Seal("key", "other", None).granted(grant, NOW_S) is None


def test_there_is_no_button_where_nobody_can_press_it(household: Settings) -> None:
    for page in (
        PageSettings(),
        PageSettings(address="http://k", read_only=True),
        PageSettings(address="http://k", on=False),
    ):
        assert button_of(replace(household, page=page), lambda: NOW_S) is None
    assert "<script" not in for_programs.FORM
