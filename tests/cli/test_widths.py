"""What is printed on a terminal of 80 columns fits it, in the demo's house at the evening where its night begins."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import pytest
import time_machine

from monitor.cli import demo, fitted
from monitor.runs import daemon_status
from monitor.runs.store import Store
from tests.terminal import jartide

WIDE = 80


class House(NamedTuple):
    """A config over the demo's store, and what time it is there."""

    config: Path
    now_s: float


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    folder = tmp_path_factory.mktemp("house")
    demo.lay_out(folder / "house.db")
    settings = demo.house_settings(folder / "house.db", 8140)
    tables = "".join(
        f'[[jar]]\nname = "{jar.name}"\nempty_mm = {jar.empty_mm}\nflour = "{jar.flour}"\ncycle_h = {jar.cycle_h}\n'
        for jar in settings.jars
    )
    config = folder / "jartide.toml"
    config.write_text(f'{tables}[store]\npath = "house.db"\n[display]\ntime_zone = "UTC"\n')
    with Store.join(folder / "house.db") as store:
        status = daemon_status.read(store)
    assert status is not None
    return House(config, status.as_of_s)


LISTS = {
    "status": ("status",),
    "runs": ("runs",),
    "every run": ("runs", "--all"),
    "review": ("review", "1:30"),
    "compare": ("compare", "1:30", "2:30"),
    "sheet": ("sheet", "--hours", "24"),
    "handover": ("handover",),
    "trials": ("trial",),
    "trial": ("trial", "three flours"),
    "plan": ("plan", "--jar", "Rye"),
    "a plan that cannot be": ("plan", "--jar", "Rye", "--target-hours", "60"),
    "bake": ("bake", "--jar", "Wheat", "--at", "09:00", "--flour-g", "900"),
    "assess": ("assess", "Rye"),
    "the guide's list": ("guide",),
    "a page of the guide": ("guide", "hooch"),
}


@pytest.mark.parametrize("name", LISTS)
def test_each_list_fits_eighty_columns(name: str, house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fitted, "on_a_terminal", lambda: True)
    monkeypatch.setenv("COLUMNS", str(WIDE))
    command, *words = LISTS[name]
    config = [] if command == "guide" else ["--config", house.config]
    with time_machine.travel(house.now_s, tick=False):
        done = jartide(command, *config, *words)
    assert done.exit_code in (0, 1), done.output
    lines = done.stdout.splitlines()
    assert lines
    assert [line for line in lines if len(line) > WIDE] == []
