"""Many jars from few tables: a `[[group]]` gives its jars what they have in common, and a name with a range means
several.

Pure, on parsed TOML: `monitor.config.reader` fills its schema from what comes out. A jar of the file keeps its place
(`Where`), so that a problem of a jar from a range is reported at the table of that range.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from monitor.config.toml_lines import Where

RANGE = re.compile(r"\{(\d+)\.\.(\d+)\}")
RANGE_MOST = 10_000  # a slip of the finger would fill the memory; more jars than this need several daemons anyway

Problem = tuple[Where, str]


@dataclass(frozen=True, slots=True)
class JarTable:
    """One jar's keys, and the table of the file that each of them comes from."""

    keys: dict[str, Any]
    own: Where
    group: Where | None
    own_keys: frozenset[str]

    def where(self, rest: Where) -> Where:
        """The place in the file of what is at `rest` within this jar."""
        from_group = self.group is not None and rest and rest[0] in self.keys and rest[0] not in self.own_keys
        return (*(self.group if from_group and self.group else self.own), *rest)


def expand(jars: list[dict[str, Any]], groups: list[dict[str, Any]], problems: list[Problem]) -> list[JarTable]:
    """The jars that the tables describe: with the group's keys, unless the jar has its own.

    >>> [jar.keys for jar in expand([{"name": "shelf-{1..2}", "group": "r"}], [{"name": "r", "flour": "rye"}], [])]
    [{'flour': 'rye', 'name': 'shelf-1', 'group': 'r'}, {'flour': 'rye', 'name': 'shelf-2', 'group': 'r'}]

    What is wrong is added to `problems`: an unknown group, two groups with one name, a range that runs backwards.
    """
    places = _named(groups, problems)
    out: list[JarTable] = []
    for index, jar in enumerate(jars):
        group, own = jar.get("group"), ("jar", index)
        at = places.get(group) if isinstance(group, str) else None
        if isinstance(group, str) and at is None:
            there = f"there are {', '.join(sorted(places))}" if places else "there is none"
            problems.append(
                (("jar", index, "group"), f'no [[group]] has this name ({there}): add one with name = "..."')
            )
        shared = {} if at is None else {key: value for key, value in groups[at].items() if key != "name"}
        for name in _names(jar.get("name"), index, problems):
            keys = shared | jar | ({} if name is None else {"name": name})
            out.append(JarTable(keys, own, None if at is None else ("group", at), frozenset(jar)))
    return out


def _named(groups: list[dict[str, Any]], problems: list[Problem]) -> dict[str, int]:
    """The groups by their names, as indices of their tables."""
    places: dict[str, int] = {}
    for index, group in enumerate(groups):
        name = group.get("name")
        if not isinstance(name, str):
            continue  # the reader says that it is missing or no text
        if name in places:
            problems.append((("group", index, "name"), "two groups with one name: rename one, or make them one table"))
        places[name] = index
    return places


def _names(name: Any, index: int, problems: list[Problem]) -> list[Any]:
    """`shelf-{1..40}` as forty names, `{01..40}` with leading zeros; any other name is itself."""
    found = RANGE.search(name) if isinstance(name, str) else None
    if found is None:
        return [name]
    first, last = int(found[1]), int(found[2])
    if not first <= last < first + RANGE_MOST:
        problems.append(
            (("jar", index, "name"), f"a range must count upwards, over at most {RANGE_MOST} jars, such as {{1..40}}")
        )
        return [name[: found.start()] + found[1] + name[found.end() :]]
    width = len(found[1]) if found[1].startswith("0") else 0
    return [f"{name[: found.start()]}{number:0{width}d}{name[found.end() :]}" for number in range(first, last + 1)]
