"""Every kind of notice has its line on the page about them: whoever leaves one out finds its name there."""

from __future__ import annotations

from monitor.cli.reference import NOTICES, notice_kinds
from monitor.core.notify.conditions import Kind


def test_every_kind_of_notice_is_described() -> None:
    assert set(NOTICES) == {kind.value for kind in Kind}
    assert all(f"- `{kind.value}`: " in notice_kinds() for kind in Kind)
