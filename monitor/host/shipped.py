"""Where to find the files that come with the program: example configs, the service's units, firmware notes, recordings.

In a checkout they are in its folders; an installed wheel has them as data files below share/jartide.
"""

from __future__ import annotations

from importlib import metadata
from pathlib import Path

HERE = Path(__file__).resolve().parents[2]


def shipped(name: str) -> Path:
    """The file or folder `name`, such as "configs/jartide.service". Raises FileNotFoundError where the installation
    has lost it."""
    beside = HERE / name
    if (HERE / "pyproject.toml").is_file() and beside.exists():
        return beside
    for file in metadata.files("jartide") or ():
        parts = file.parts
        if "jartide" in parts and "share" in parts:
            root = Path(str(file.locate())).resolve()
            share = next(one for one in root.parents if one.name == "jartide" and one.parent.name == "share")
            if (share / name).exists():
                return share / name
    raise FileNotFoundError(f"{name} is missing: install jartide again")
