"""`read` of an [[mqtt]] table: what is right is taken, what is wrong is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config.reader import SettingsError, load
from monitor.settings import ReadField

JARS = '[[jar]]\nname = "rye"\n[[jar]]\nname = "wheat"\n'


def loaded(tmp_path: Path, text: str) -> object:
    path = tmp_path / "jartide.toml"
    path.write_text(text)
    return load(path)


def test_fields_are_read(tmp_path: Path) -> None:
    read = '{distance = {path = "A.B", unit = "cm"}, time = {path = "T"}}'
    settings = loaded(tmp_path, f'{JARS}[[mqtt]]\nhost = "b"\ntopic = "tele/{{jar}}/SENSOR"\nread = {read}')
    found = dict(settings.mqtt[0].read)  # type: ignore[attr-defined]
    assert found == {"distance": ReadField(path="A.B", unit="cm"), "time": ReadField(path="T")}


@pytest.mark.parametrize(
    ("read", "said"),
    [
        ("{}", "must be a table"),
        ('{level = {path = "x"}}', "there is no level; there is distance"),
        ('{distance = "x"}', "must be a table of texts"),
        ('{distance = {path = "x", units = "cm"}}', "distance has no units; it has path"),
        ('{distance = {path = "x", unit = "furlong"}}', "unit must be mm or cm or m or in"),
        ('{distance = {path = "x..y"}}', "path must be keys"),
        ('{time = {path = "x"}}', "names no quantity"),
        ('{distance = {}, temperature = {path = "t"}}', "the whole payload"),
        ('{distance = {path = "d"}, echo = {path = "e"}}', "both distance and echo"),
        ('{humidity = {path = "h", unit_path = "u"}}', "unit_path is for temperatures"),
        ('{seq = {path = "s", unit = "mm"}, distance = {path = "d"}}', "seq has no unit"),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, read: str, said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        loaded(tmp_path, f'{JARS}[[mqtt]]\nhost = "b"\ntopic = "x/{{jar}}/y"\nread = {read}')


def test_who_is_meant_must_be_known(tmp_path: Path) -> None:
    table = '[[mqtt]]\nhost = "b"\ntopic = "esphome/distance/state"\nread = {distance = {unit = "m"}}\n'
    with pytest.raises(SettingsError, match="which jar these messages are for"):
        loaded(tmp_path, JARS + table)
    with pytest.raises(SettingsError, match="of that name"):
        loaded(tmp_path, JARS + table + 'jar = "spelt"')
    loaded(tmp_path, JARS + table + 'jar = "rye"')


def test_tables_of_one_connection(tmp_path: Path) -> None:
    two = '[[mqtt]]\nhost = "b"\nclient_id = "one"\n[[mqtt]]\nhost = "b"\nclient_id = "one"\ntopic = "x/{jar}"\n'
    assert len(loaded(tmp_path, JARS + two).mqtt) == 2  # type: ignore[attr-defined]
    with pytest.raises(SettingsError, match="disconnect each other"):
        loaded(tmp_path, JARS + two + 'user = "me"\n')
    with pytest.raises(SettingsError, match="belongs in the first"):
        loaded(tmp_path, JARS + two + 'notice_topic = "n"\n')
