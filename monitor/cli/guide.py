"""`jartide guide [TOPIC]`: the pages of the guide."""

from __future__ import annotations

import click

from monitor import guide as guides
from monitor.cli.opening import refuse


@click.command(short_help="Short pages about keeping a starter.")
@click.argument("topic", nargs=-1)
def guide(topic: tuple[str, ...]) -> None:
    """Read about keeping a starter. TOPIC is a word like hooch, mould, fridge, ratio or float; without it, a list."""
    if not topic:
        click.echo("jartide guide TOPIC opens a page by any of its words:\n")
        for page in guides.pages():
            click.echo(f"{page.title}\n    {', '.join(page.words)}")
        return
    found = guides.page(" ".join(topic))
    if found is None:
        refuse(f"TOPIC: the guide has no page for {' '.join(topic)!r}; `jartide guide` lists its pages and their words")
    click.echo(f"{found.title}\n\n{found.text}")
