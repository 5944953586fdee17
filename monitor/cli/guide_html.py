"""The whole guide as HTML files that need nothing else: `jartide guide --html FOLDER`. The live page shows the same."""

from __future__ import annotations

import shutil
from pathlib import Path

from monitor import guide as guides
from monitor import page
from monitor.cli import reference
from monitor.guide import Page

ICON = Path(page.__file__).parent / "static" / "icon.svg"
SHIPPED = Path(guides.__file__).parent  # its template, style and pictures


def write(folder: Path) -> int:
    """Write every page, the index, the style and the pictures; returns how many pages. Raises OSError."""
    import jinja2
    import markdown

    environment = jinja2.Environment(loader=jinja2.FileSystemLoader(SHIPPED), autoescape=True, trim_blocks=True)
    template = environment.get_template("page.html")
    groups = {
        "Keeping a starter": guides.pages(),
        "Keeping Jartide": guides.keeper_pages(),
        "Reference": tuple(map(reference.filled, reference.outlines())),
    }
    folder.mkdir(parents=True, exist_ok=True)

    def put(key: str, one: Page | None) -> None:
        body = "" if one is None else markdown.markdown(one.text, extensions=["fenced_code", "tables"])
        body = body.replace("<pre>", '<pre tabindex="0">')  # what scrolls must be reachable by keyboard
        (folder / f"{key}.html").write_text(template.render(page=one, body=body, groups=groups), "utf-8")

    put("index", None)
    for one in (every := [one for pages in groups.values() for one in pages]):
        put(one.key, one)
    for file in (SHIPPED / "guide.css", ICON, *SHIPPED.glob("*.png")):
        shutil.copyfile(file, folder / file.name)
    return len(every)
