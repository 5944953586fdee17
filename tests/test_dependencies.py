"""What runs besides us: every package that an installation brings is listed in DEVELOPERS.md with its licence and the
version that was looked at. A new one, another licence or a new major version fails here, so that somebody looks.

`python -m tests.test_dependencies` prints the table as it should be.
"""

from __future__ import annotations

import hashlib
import re
from importlib.metadata import Distribution, PackageNotFoundError, distribution, requires
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parent.parent
EXTRAS = ("pictures", "push")
CARRIED = {  # SHA-256 of dist/ and LICENSE of the npm package uplot 1.6.32, the files that we hand on unchanged
    "LICENSE": "8f989229699b4fe2f1a0432d0e9edc338a8a911e250e2d1b01ecd770a5f5b1bd",
    "uPlot.iife.min.js": "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f",
    "uPlot.min.css": "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
}
MAY_BE = re.compile(r"MIT|0?BSD|Apache|PSF|Python Software Foundation|ISC|MPL|EPL|HPND|Unlicense|Zlib|CC0")
"""Kinds of licence that a MIT program may be installed with; none of that code is copied into ours."""


def installed() -> dict[str, Distribution]:
    """All that `pip install 'jartide[pictures,push]'` brings, by name."""
    found: dict[str, Distribution] = {}
    todo = [(Requirement(line), {"", *EXTRAS}) for line in requires("jartide") or ()]
    while todo:
        wanted, extras = todo.pop()
        if wanted.marker is not None and not any(wanted.marker.evaluate({"extra": extra}) for extra in extras):
            continue
        name = re.sub(r"[-_.]+", "-", wanted.name).lower()
        if name == "jartide" or name in found:
            continue
        try:
            found[name] = distribution(name)
        except PackageNotFoundError:
            continue  # for another system
        todo += [(Requirement(line), {"", *wanted.extras}) for line in found[name].requires or ()]
    return dict(sorted(found.items()))


def licence(package: Distribution) -> str:
    """As the package itself says it: the SPDX expression, else its classifiers, else its short licence field."""
    said = package.metadata
    if said.get("License-Expression"):
        return str(said["License-Expression"])
    of_kind = [line.split(" :: ")[-1] for line in said.get_all("Classifier") or () if line.startswith("License :: OSI")]
    of_kind = [line for line in of_kind if line != "OSI Approved"]
    return ", ".join(sorted(of_kind)) or (said.get("License") or "").strip().split("\n")[0][:60]


def listed() -> dict[str, tuple[str, str]]:
    """Name -> (version, licence) of the table in DEVELOPERS.md."""
    table = (ROOT / "DEVELOPERS.md").read_text().split("## What runs besides us")[1].split("\n## ")[0]
    rows = re.findall(r"^\| ([a-z0-9-]+) \| (\d[^ |]*) \| ([^|]+?) \|$", table, re.MULTILINE)
    return {name: (version, said) for name, version, said in rows}


def test_every_package_is_listed_with_its_licence() -> None:
    known, here = listed(), installed()
    assert len(here) > 15
    assert sorted(here.keys() - known.keys()) == []
    for name, package in here.items():
        version, said = known[name]
        kinds = set(MAY_BE.findall(licence(package)))
        assert kinds, f"{name} ({licence(package)}): may a program under the MIT licence be installed with it?"
        assert kinds == set(MAY_BE.findall(said)), f"{name} is under {licence(package)}, not {said}"
        major = int(version.split(".")[0])
        if major < 2000:  # else it is a year
            assert int(package.version.split(".")[0]) == major, f"{name} {package.version}: a new major version"


def test_the_chart_library_is_handed_on_unchanged_with_its_licence() -> None:
    folder = ROOT / "monitor" / "page" / "static" / "uplot"
    here = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}
    assert here == CARRIED
    assert (folder / "LICENSE").read_text("utf-8").startswith("The MIT License (MIT)")
    assert "uPlot 1.6.32" in (ROOT / "DEVELOPERS.md").read_text("utf-8")


if __name__ == "__main__":
    for name, package in installed().items():
        print(f"| {name} | {package.version} | {licence(package)} |")
