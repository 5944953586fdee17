"""`jartide guide [TOPIC]`: the pages of the guide, in the terminal or as HTML files."""

from __future__ import annotations

from pathlib import Path

import click

from monitor import guide as guides
from monitor.cli.fitted import say, say_page
from monitor.cli.opening import json_option, put_json, refuse
from monitor.guide import Page


@click.command()
@click.argument("topic", nargs=-1)
@click.option("--html", "folder", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER",
              help="Write all pages as HTML files into FOLDER; index.html is the first.")  # fmt: skip
@json_option
def guide(topic: tuple[str, ...], folder: Path | None, as_json: bool) -> None:
    """Read about keeping a starter, and about keeping Jartide.

    TOPIC is a word like hooch, mould, fridge, ratio or float; or notices, backups, esphome, keys. Without it, a list.
    """
    from monitor.cli import reference

    if folder is not None:
        from monitor.cli import guide_html

        try:
            count = guide_html.write(folder)
        except OSError as error:
            refuse(f"--html: {folder}: cannot be written: {error.strerror}")
        if as_json:
            put_json({"file": str(folder / "index.html"), "pages": count})
        else:
            click.echo(f"{folder / 'index.html'}: {count} pages")
        return
    if not topic and as_json:
        every = (*guides.pages(), *guides.keeper_pages(), *reference.outlines())
        put_json({"pages": [{"title": page.title, "topics": list(page.words)} for page in every]})
        return
    if not topic:
        click.echo("jartide guide TOPIC opens a page by any of its words:")
        _list("Keeping a starter", guides.pages())
        _list("Keeping Jartide", guides.keeper_pages())
        _list("Reference", reference.outlines())
        return
    word = " ".join(topic)
    found = guides.page(word, (*guides.pages(), *guides.keeper_pages(), *reference.outlines()))
    if found is None:
        refuse(f"TOPIC: the guide has no page for {word!r}; `jartide guide` lists its pages and their words")
    text = reference.filled(found).plain
    if as_json:
        put_json({"title": found.title, "topics": list(found.words), "text": text})
    else:
        say_page(f"{found.title}\n\n{text}")


def _list(heading: str, pages: tuple[Page, ...]) -> None:
    click.echo(f"\n{heading}")
    for page in pages:
        say(f"  {page.title}\n    {', '.join(page.words)}")
