"""Notices on the phone that looks at the page: asked for, shown by the service worker in a real browser, ended.

No push service can be reached from a test, so the browser's `subscribe` is played, and what a service would deliver is
handed to the real worker by the browser's own development protocol (ServiceWorker.deliverPushMessage).
"""

from __future__ import annotations

import json
import os

import httpx
import pytest
from playwright.sync_api import Browser, expect

from monitor.runs import phones
from monitor.runs.store import Store
from monitor.settings import Settings
from tests.browsing import PHONE, WAIT_MS, Eyes, serious
from tests.page.serving import serving, token

PHONE_OF = {
    "endpoint": "https://push.example.org/send/abc",
    "keys": {"p256dh": "B" + "A" * 86, "auth": "A" * 22},
}
PLAYED = """// the browser's side of a subscription
let mine = null;
const made = { endpoint: ENDPOINT, toJSON: () => (PHONE_OF), unsubscribe: async () => { mine = null; return true; } };
PushManager.prototype.getSubscription = async () => mine;
PushManager.prototype.subscribe = async (how) => {
  if (how.applicationServerKey.length !== 65) throw new Error("a key of 65 bytes");
  mine = made;
  return mine;
};
""".replace("ENDPOINT", json.dumps(PHONE_OF["endpoint"])).replace("PHONE_OF", json.dumps(PHONE_OF))


def endpoints(settings: Settings) -> list[str]:
    with Store.join(settings.store.path) as store:
        return [phone["endpoint"] for phone in phones.phones(store)]


@pytest.mark.fault("W15")
def test_a_subscription_is_checked_and_only_who_is_in_may_make_one(
    household: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WORD", "tide")
    with serving(household, password_env="WORD", address="https://jar.lan") as client:
        with httpx.Client(base_url=client.base_url) as stranger:
            assert stranger.get("/api/phones").status_code == 401
            assert stranger.post("/api/phones", json=PHONE_OF).status_code == 401
        client.post("/login", data={"password": "tide"})
        assert client.post("/api/phones", json=PHONE_OF).status_code == 403  # another site
        mine = token(client)
        keys = PHONE_OF["keys"]
        for wrong in (
            {**PHONE_OF, "endpoint": "http://push.example.org/x"},
            {**PHONE_OF, "endpoint": "https://push.example.org/" + "x" * 1000},
            {**PHONE_OF, "keys": {"p256dh": "short", "auth": "A" * 22}},
            {**PHONE_OF, "keys": {**keys, "auth": "?" * 22}},  # type: ignore[dict-item]
            {**PHONE_OF, "more": 1},
            [],
        ):
            assert client.post("/api/phones", json=wrong, headers=mine).status_code == 422, wrong
        assert client.post("/api/phones", json=PHONE_OF, headers=mine).status_code == 201
        assert endpoints(household) == [PHONE_OF["endpoint"]]
        gone = client.post("/api/phones/left", json={"endpoint": PHONE_OF["endpoint"]}, headers=mine)
        assert (gone.status_code, endpoints(household)) == (201, [])
    with serving(household) as client:
        offer = client.get("/api/phones").json()
        assert (offer["key"], "no TLS" in offer["why_not"]) == (None, True)
        assert client.post("/api/phones", json=PHONE_OF, headers=token(client)).status_code == 409


def test_a_phone_asks_is_shown_a_notice_and_ends_it(household: Settings, browser: Browser) -> None:
    with serving(household, address="https://jar.lan") as client:
        base = str(client.base_url)
        context = browser.new_context(viewport=PHONE)
        context.grant_permissions(["notifications"], origin=base)
        context.add_init_script(PLAYED)
        eyes = Eyes(context, f"{base}/#/health")
        page = eyes.page
        page.get_by_role("button", name="Tell me on this phone").click()
        expect(page.get_by_text("The next notice will come here too.")).to_be_visible(timeout=WAIT_MS)
        assert endpoints(household) == [PHONE_OF["endpoint"]]
        assert serious(page) == []
        if folder := os.environ.get("JARTIDE_SCREENSHOTS"):
            page.screenshot(path=f"{folder}/phone_notices.png", full_page=True)

        watch = context.new_cdp_session(page)
        ids: list[str] = []
        watch.on("ServiceWorker.workerRegistrationUpdated",
                 lambda said: ids.extend(one["registrationId"] for one in said["registrations"]))  # fmt: skip
        watch.send("ServiceWorker.enable")
        page.wait_for_function("navigator.serviceWorker.controller !== null || true")
        deadline = 200
        while not ids and deadline:
            page.wait_for_timeout(50)
            deadline -= 1
        notice = {"title": "Feed rye now", "text": "It sinks.", "link": f"{base}/#/jar/rye", "button": f"{base}/fed/x"}
        watch.send("ServiceWorker.deliverPushMessage",
                   {"origin": base, "registrationId": ids[-1], "data": json.dumps(notice)})  # fmt: skip
        shown = page.evaluate(
            """async () => { const one = await navigator.serviceWorker.ready;
            for (;;) { const all = await one.getNotifications();
              if (all.length) return all.map((n) => [n.title, n.body, n.actions.map((a) => a.title), n.data.link]);
              await new Promise((r) => setTimeout(r, 20)); } }"""
        )
        assert shown == [["Feed rye now", "It sinks.", ["Fed"], f"{base}/#/jar/rye"]]

        page.get_by_role("button", name="No more notices here").click()
        expect(page.get_by_text("Notices no longer come here.")).to_be_visible(timeout=WAIT_MS)
        assert endpoints(household) == []
        assert not eyes.wrong
        context.close()
