"""What a person writes that sends a starter into the bin, in their own words: one rule for all that ask.

That mould goes whole and is not scraped off, USDA FSIS ("Molds on Food"); coloured streaks and insects inside: common
practice, no source. The remarks are invented.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from monitor.cli import main
from monitor.core.assess import answers
from monitor.core.assess.thrown_away import condemned, condemns
from monitor.core.notify.due import due
from monitor.core.plan.sheet import SheetJar, sheet
from monitor.runs.store import Store
from monitor.settings import JarSettings, NoticeSettings
from monitor.values import Noted, Noting, Stage
from tests.core.believed import FED, state

GOES = (
    "white fuzz on top", "a pink streak", "orange spots", "black streaks", "odd, and a pink streak", "turned pink",
    "looks orange", "has gone slightly pink", "patches of green", "spots are orange", "pink", "is it mould?",
    "not sure whether it is mould", "no idea what this pink streak is", "no hooch but mouldy", "red dots", "moldy",
    "larvae inside", "maggots", "fruit flies in the jar", "a fly drowned in it", "a bug crawling inside",
)  # fmt: skip
STAYS = (
    "no larvae inside", "flies around the jar", "flies around the jar, none inside", "no mould", "mould: none",
    "no pink streaks or mould", "smells of orange", "orange peel", "smells fruity, like orange", "used pink salt",
    "weevils in the flour", "isn't mouldy", "moulded the loaf in a tin", "lid clipped shut", "dark liquid",
    "black liquid on top", "baked an orange cake", "moved it inside", "the red jar", "a red line on the jar",
)  # fmt: skip


def note(text: str, what: Noting = Noting.REMARK, time_s: float = FED + 3600.0) -> Noted:
    return Noted(time_s=time_s, jar="rye", what=what, text=text)


@pytest.mark.parametrize("what", [Noting.REMARK, Noting.SMELL, Noting.HOOCH])
@pytest.mark.parametrize("text", GOES)
def test_so_it_goes_into_the_bin(text: str, what: Noting) -> None:
    assert condemns(note(text, what))
    said = answers.to_one(note(text, what))
    assert said is not None
    assert "throw all of it away" in said.say.lower()


@pytest.mark.parametrize("text", STAYS)
def test_so_it_does_not(text: str) -> None:
    assert not condemns(note(text))
    said = answers.to_one(note(text))
    assert said is None or "throw all of it away" not in said.say.lower()


def test_a_starter_that_was_put_in_since_is_another_one_and_a_bread_is_no_starter() -> None:
    notes = [note("a pink streak"), note("", Noting.NEW_STARTER, FED + 7200.0)]
    assert condemned(notes[:1]) == notes[0]
    assert condemned(notes) is None
    assert not condemns(note("pink in the middle", Noting.SOUR))


@pytest.mark.parametrize("text", ["a pink streak", "larvae inside"])
def test_it_is_announced_and_nothing_else_and_a_feeding_undoes_it_not(text: str) -> None:
    for at_s in (FED + 3600.0, FED - 86_400.0):  # in this cycle, and before it was fed again
        said = note(text, time_s=at_s)
        hungry = state(20, Stage.FALLING)
        (made,) = due(hungry, {}, NoticeSettings(), JarSettings(name="rye"), hungry.now_s, [said])
        assert made.kind == "throw_away"
        assert f'"{text}"' in made.text
        assert "take the note back" in made.text
        told = {("throw_away", 0): hungry.now_s}
        assert due(hungry, told, NoticeSettings(), JarSettings(name="rye"), hungry.now_s, [said]) == ()


def test_it_is_on_no_sheet() -> None:
    sinking = SheetJar(name="rye", stage=Stage.FALLING, fed_at_s=0.0, fall_at_s=3600.0, expected_fall_s=None)
    made = sheet([replace(sinking, condemned=True)], 7200.0)
    assert made.rows == ()
    assert made.waiting[0].why == "goes into the bin"


@pytest.mark.dates
@pytest.mark.parametrize(("what", "text"), [("mould", ""), ("remark", "a pink streak"), ("smell", "larvae inside")])
def test_nothing_is_planned_nor_baked_with_it(tmp_path: Path, what: str, text: str) -> None:
    config = tmp_path / "jartide.toml"
    config.write_text(f'[store]\npath = "{tmp_path}/s.db"\n\n[[jar]]\nname = "rye"\nempty_mm = 180\n')
    with Store.open(tmp_path / "s.db"):
        pass

    def jartide(*words: str) -> Result:
        return CliRunner().invoke(main, [*words, "--config", str(config)])

    at = f"{datetime.fromtimestamp(datetime.now().timestamp() + 90_000):%Y-%m-%d %H:%M}"
    bake = ("bake", "--jar", "rye", "--at", at, "--flour-g", "900", "--temperature-c", "22")
    assert jartide("note", "rye", what, text).exit_code == 0
    for words in (("plan", "--jar", "rye", "--temperature-c", "22"), bake):
        done = jartide(*words)
        assert done.exit_code == 1, done.output
        assert "no plan for it" in done.stderr
        assert "hrow all of it away" in done.stderr
    assert jartide("undo", "rye").exit_code == 0
    assert "no plan for it" not in jartide(*bake).stderr
