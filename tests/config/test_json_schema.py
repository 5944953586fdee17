"""The JSON Schema of the config: the reference validator against the reader's own judgement of the same text."""

from __future__ import annotations

import json
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from monitor.config.json_schema import json_schema
from monitor.config.reader import HEADERS, REPEATED, SINGLE, settings_from
from tests.terminal import jartide

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
SCHEMA: Any = json_schema((CONFIGS / "everything.toml").read_text())
JAR = '[[jar]]\nname = "rye"\n'


def taken(text: str) -> bool:
    return jsonschema.Draft202012Validator(SCHEMA).is_valid(tomllib.loads(text))


def test_it_is_a_schema_and_the_command_prints_it() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    done = jartide("init", "--schema")
    assert json.loads(done.output) == SCHEMA


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_example_is_valid(path: Path) -> None:
    assert taken(path.read_text())


@pytest.mark.parametrize("name", list(HEADERS))
def test_every_key_is_there_with_its_description(name: str) -> None:
    table = SCHEMA["properties"][name]
    keys = table.get("items", table)["properties"]
    assert set(keys) == {field.name for field in fields((REPEATED | SINGLE)[name])}
    assert [key for key, about in keys.items() if not about.get("description")] == []


@pytest.mark.parametrize(
    "text",
    [
        JAR.replace("name", "nmae"),
        JAR + "empty_mm = 5\n",
        JAR + 'empty_mm = "152"\n',
        JAR + 'sensor = "radar"\n',
        JAR + 'geometry = {shape = "round"}\n',
        JAR + "[page]\nport = 0\n",
        JAR + "[page]\nopen = true\n",
        JAR + "[notices]\nquiet_except = [1]\n",
        JAR + '[kitchen]\nname = "x"\n',
        "[[serial]]\nbaud = 9600\n" + JAR,
        "[store]\n",
    ],
)
def test_what_the_reader_refuses_by_key_type_or_bound_is_not_valid(text: str) -> None:
    assert settings_from(tomllib.loads(text))[1]
    assert not taken(text)
