"""The example configs: all load, and everything.toml names every key that the schema has."""

import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from monitor.settings_file import HEADERS, REPEATED, SHAPES, SINGLE, load

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
EXAMPLES = sorted(CONFIGS.glob("*.toml"))
EVERYTHING = tomllib.loads((CONFIGS / "everything.toml").read_text())


def test_the_promised_examples_are_there() -> None:
    assert {"one_serial_jar", "one_mqtt_jar", "many_jars", "everything"} <= {path.stem for path in EXAMPLES}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_an_example_loads_and_has_something_to_read_from(path: Path) -> None:
    settings = load(path)
    assert settings.serial or settings.mqtt


@pytest.mark.parametrize("name", HEADERS)
def test_everything_names_every_key_of_the_schema(name: str) -> None:
    schema: Any = (REPEATED | SINGLE)[name]
    tables = EVERYTHING[name] if name in REPEATED else [EVERYTHING[name]]
    named = {key for one in tables for key in one}
    # a secret has two places, of which a table takes one: the other stands in the comment beside it
    text = (CONFIGS / "everything.toml").read_text()
    other = {"token_file"} if 'or token_file = "' in text else set()
    assert {field.name for field in fields(schema)} - other == named


def test_everything_shows_every_shape() -> None:
    shapes = {jar["geometry"]["shape"]: set(jar["geometry"]) - {"shape"} for jar in EVERYTHING["jar"]}
    assert shapes == {shape: set(keys) for shape, keys in SHAPES.items()}


def test_each_line_of_everything_that_holds_a_key_says_its_default() -> None:
    """Read with the eyes of someone who looks up one key: the comment beside or below it tells the default."""
    lines = (CONFIGS / "everything.toml").read_text().splitlines()
    wanted = {field.name for name in HEADERS for field in fields((REPEATED | SINGLE)[name])}
    wanted -= {"name", "port", "host", "url"}  # those that must be given
    for key in sorted(wanted):
        at = next((n for n, line in enumerate(lines) if line.startswith(f"{key} =") or f"or {key} =" in line), None)
        assert at is not None, key
        assert any("Default:" in line for line in lines[at : at + 3]), key
