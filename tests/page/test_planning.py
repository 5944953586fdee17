"""Plans and bakes on the page, with all that the command does; the guide; what a baker would say; grams nobody told."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from monitor.runs import kept_bake
from monitor.runs.store import Store
from monitor.settings import Settings
from monitor.values import Fed, Noting
from tests.browsing import PHONE, WAIT_MS, Eyes, card, more, serious
from tests.night import EMPTY_MM
from tests.page.serving import token
from tests.page_house import Kitchen, grow, over_a_fed_jar, settings_of
from tests.terminal import jartide

pytestmark = pytest.mark.dates

DESK = {"width": 1280, "height": 900}


@pytest.fixture(scope="module")
def household(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    """Two days and a half of one jar, and a last feeding of which nobody told the grams."""
    settings = settings_of(tmp_path_factory.mktemp("house"), ["rye"])
    until_s = time.time()
    grow(settings, 2.5, until_s - 2.0 * 3600.0, open_h=11.0)
    kitchen = Kitchen(settings, until_s - 2.0 * 3600.0)
    fed_s = kitchen.now_s + 600.0
    kitchen.go_on(1.0, lambda _, at_s: over_a_fed_jar(at_s, fed_s))
    kitchen.store.tell(Fed(time_s=fed_s, jar="rye"), kitchen.now_s)
    kitchen.go_on((until_s - kitchen.now_s) / 3600.0, lambda _, at_s: over_a_fed_jar(at_s, fed_s))
    kitchen.store.close()
    return settings


@pytest.fixture(params=[PHONE, DESK], ids=["phone", "desk"])
def context(browser: Browser, request: pytest.FixtureRequest) -> Iterator[BrowserContext]:
    made = browser.new_context(viewport=request.param, color_scheme="dark" if request.param is PHONE else "light")
    yield made
    made.close()


def well(page: Page, name: str) -> None:
    """Nothing serious, nothing sideways; a picture where one is asked for."""
    assert serious(page) == []
    size = page.viewport_size or PHONE
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    if folder := os.environ.get("JARTIDE_SCREENSHOTS"):
        page.screenshot(path=f"{folder}/{name}_{size['width']}.png", full_page=True)


def test_every_way_of_planning_is_on_the_page(client: httpx.Client, context: BrowserContext) -> None:
    eyes = Eyes(context, f"{client.base_url}/#/plan/rye")
    page, plan = eyes.page, eyes.page.get_by_role("region", name="The plan")
    expect(plan).to_contain_text("is not ripe yet", timeout=WAIT_MS)
    expect(plan).to_contain_text("Left over")
    well(page, "plan_hours")
    wanted = page.get_by_label("What do you want?")
    wanted.select_option("daily")
    expect(plan).to_contain_text("a day later")
    wanted.select_option("moment")
    expect(plan).to_contain_text("Keep")  # as the answer, or as the nearest, by the hour of the day
    expect(plan.get_by_text("Ripe", exact=True)).to_be_visible()
    well(page, "plan_moment")
    wanted.select_option("given")
    for words, grams in (("Starter to keep, g", "10"), ("Flour to use, g", "100"), ("Water to use, g", "100")):
        page.get_by_label(words).fill(grams)
    expect(plan).to_contain_text("1:10:10 at")
    page.get_by_label("In the jar now, g").fill("200")
    expect(plan).to_contain_text("190 g")
    page.get_by_label("Which flour").fill("white")
    well(page, "plan_given")
    wanted.select_option("hours")
    expect(plan).to_contain_text("at least")
    page.get_by_label("The jar holds, ml").fill("150")
    expect(plan).not_to_contain_text("at least", timeout=WAIT_MS)  # it is made to fit
    plan.get_by_role("link", name="What it makes").click()
    expect(page.get_by_role("heading", name="Less waste")).to_be_visible()
    assert not eyes.wrong


def test_a_bake_is_kept_shown_on_the_card_and_dropped(
    client: httpx.Client, household: Settings, context: BrowserContext
) -> None:
    eyes = Eyes(context, f"{client.base_url}/#/plan/rye")
    page = eyes.page
    page.get_by_role("button", name="Bake", exact=True).click()
    expect(page.get_by_text("go into the dough")).to_be_visible(timeout=WAIT_MS)
    page.get_by_text("More about the levain").click()
    page.get_by_label("Keep back, g").fill("35")
    expect(page.get_by_text("Keep 35 g back for the next feeding.")).to_be_visible()
    page.get_by_role("button", name="Keep this bake").click()
    expect(page.get_by_text("Kept: its feedings stand in the calendar")).to_be_visible()
    with Store.join(household.store.path) as store:
        kept = kept_bake.kept(store, "rye")
    assert kept is not None
    assert kept.asked.keep_g == 35.0
    here = page.get_by_role("region", name="The bake that is kept")
    expect(here).to_contain_text("Bake, mixed", timeout=WAIT_MS)
    well(page, "bake")
    expect(card(page)).to_contain_text("Bake, mixed", timeout=WAIT_MS)
    page.goto(f"{client.base_url}/#/plan/rye")
    page.get_by_role("button", name="Bake", exact=True).click()
    here.get_by_role("button", name="Cancel the bake").click()
    expect(here).to_have_count(0, timeout=WAIT_MS)
    assert not eyes.wrong


def test_a_bake_days_ahead_is_planned_with_the_fridge_by_one_tap(client: httpx.Client, context: BrowserContext) -> None:
    eyes = Eyes(context, f"{client.base_url}/#/plan/rye")
    page = eyes.page
    page.get_by_role("button", name="Bake", exact=True).click()
    expect(page.get_by_text("go into the dough")).to_be_visible(timeout=WAIT_MS)
    expect(page.get_by_label("Let it rest in the fridge meanwhile")).to_be_hidden()
    page.get_by_label("I mix the dough").select_option(index=4)
    offer = page.get_by_text("A rest in the fridge would do too.")
    expect(offer).to_contain_text("in the fridge, lid loose", timeout=WAIT_MS)
    expect(offer).to_contain_text("instead of")
    offer.get_by_role("button", name="Plan it that way").click()
    expect(offer).to_be_hidden(timeout=WAIT_MS)
    expect(page.get_by_label("Let it rest in the fridge meanwhile")).to_be_checked()
    expect(page.get_by_text("From the starter in the fridge")).to_be_visible()
    expect(page.get_by_text("“Into the fridge”")).to_be_visible()  # a button here, a command in a terminal
    well(page, "bake_fridge")
    assert not eyes.wrong


def test_a_baker_says_what_to_do_and_each_line_leads_to_the_guide(
    client: httpx.Client, context: BrowserContext
) -> None:
    eyes = Eyes(context, f"{client.base_url}/#/")
    page, mine = eyes.page, card(eyes.page)
    mine.get_by_text("What would a baker say?").click()
    expect(mine).to_contain_text("Fit to bake with", timeout=WAIT_MS)
    well(page, "baker")
    mine.get_by_role("link", name="What that means").click()
    expect(page.get_by_role("heading", name="Fit to bake", exact=True)).to_be_visible()
    well(page, "guide")
    for topic in {one["guide"] for one in client.get("/api/jars/rye/assessment").json()["advice"]}:
        assert client.get(f"/api/guide/{topic}").status_code == 200
    assert client.get("/api/guide/quantum").status_code == 404
    assert not eyes.wrong


def test_when_it_was_begun_is_told(client: httpx.Client, household: Settings, context: BrowserContext) -> None:
    eyes = Eyes(context, f"{client.base_url}/#/")
    mine = card(eyes.page)
    more(mine)
    mine.get_by_text("When was it begun?").click()
    mine.get_by_label("Begun on").fill("2026-03-02")
    mine.get_by_role("button", name="Begun then").click()
    expect(mine).to_contain_text("Noted: begun on 2026-03-02.", timeout=WAIT_MS)
    well(eyes.page, "begun")
    with Store.join(household.store.path) as store:
        assert [one.text for one in store.noted("rye") if one.what is Noting.BEGUN][-1] == "2026-03-02"
    head = token(client)
    for body in ({"days_ago": 3}, {"how": "old"}, {"how": "dried"}):
        assert client.post("/api/jars/rye/begun", json=body, headers=head).status_code == 201
    for body in ({}, {"days_ago": -1}, {"days_ago": 1.5}, {"how": "new"}, {"days_ago": 1, "how": "old"}):
        assert client.post("/api/jars/rye/begun", json=body, headers=head).status_code == 422
    assert not eyes.wrong


def test_grams_that_nobody_told_are_confirmed_with_one_tap(
    client: httpx.Client, household: Settings, browser: Browser
) -> None:
    context = browser.new_context(viewport=PHONE)
    eyes = Eyes(context, f"{client.base_url}/#/")
    mine = card(eyes.page)
    expect(mine).to_contain_text("taken as usual: 25 g + 100 g + 100 g (1:4:4)", timeout=WAIT_MS)
    well(eyes.page, "usual_grams")
    mine.get_by_role("button", name="It was other grams").click()
    expect(mine.get_by_role("button", name="It was fed like this")).to_be_visible()
    mine.get_by_role("button", name="As usual").click()
    expect(mine).to_contain_text("Noted: as usual.", timeout=WAIT_MS)
    with Store.join(household.store.path) as store:
        told = [one for one in store.told("rye", 0.0) if isinstance(one, Fed)]
    assert told[-1].feeding.grams == (25.0, 100.0, 100.0)
    assert abs(told[-1].time_s - told[-2].time_s) < 120.0  # the very feeding, and no other one
    assert not eyes.wrong
    context.close()


WISHES = (  # each as the API and as the command has it
    {"target_h": "10"}, {"target_h": "14", "aim": "half_sunk"}, {"target_h": "8", "aim": "peak"}, {"ripe_g": "300"},
    {"most_keep_g": "10"}, {"least_keep_g": "30", "target_h": "24"}, {"water_c": "45", "target_h": "12"},
    {"flour": "white", "hydration_pct": "80"}, {"keep_g": "20", "flour_g": "90", "water_g": "60"},
)  # fmt: skip


def test_the_page_plans_what_the_command_plans(client: httpx.Client, household: Settings, tmp_path: Path) -> None:
    config = tmp_path / "jartide.toml"
    config.write_text(
        f'[[jar]]\nname = "rye"\nempty_mm = {EMPTY_MM}\nrim_mm = 120\nflour = "rye"\n'
        f'[store]\npath = "{household.store.path}"\n[display]\ntime_zone = "Europe/Vienna"\n'
    )
    for wish in WISHES:
        shown = client.get("/api/jars/rye/plan", params=wish).json()
        words = [
            word
            for key, value in wish.items()
            for word in (f"--{key.replace('target_h', 'target_hours').replace('_', '-')}", value.replace("_", "-"))
        ]
        done = jartide("plan", "--jar", "rye", "--config", config, "--json", *words)
        said = json.loads(done.stdout)
        grams = ("starter_g", "flour_g", "water_g")
        assert [shown[key] for key in grams] == [said[key] for key in grams], wish
        assert shown["met"] == said["met"], wish


def test_what_stands_in_the_jar_counts_for_a_bake(client: httpx.Client) -> None:
    asked = {"at_s": time.time() + 2.5 * 86_400.0, "flour_g": 900}
    left = [
        client.get("/api/jars/rye/bake", params={**asked, "standing_g": grams}).json()["discard_g"]
        for grams in (120, 180)
    ]
    assert left[1] > left[0]
