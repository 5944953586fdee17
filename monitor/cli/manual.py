"""`jartide manual FOLDER`: man pages, made from the help that the commands print."""

from __future__ import annotations

import re
from pathlib import Path

import click

from monitor import __version__
from monitor.cli.opening import json_option, put_json, refuse

FILES = {
    "jartide.toml": "the config: here, else in ~/.config/jartide, /var/lib/jartide or /etc/jartide",
    "JARTIDE_CONFIG": "an environment variable that names another",
}
STATUS = {
    "0": "done",
    "1": "the answer is no, or a check failed",
    "2": "the call or the config is wrong",
}


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@json_option
def manual(folder: Path, as_json: bool) -> None:
    """Write the man pages of jartide and of each command into FOLDER, such as /usr/local/share/man/man1."""
    try:
        count = write(folder)
    except OSError as error:
        refuse(f"FOLDER: {folder}: cannot be written: {error.strerror}")
    if as_json:
        put_json({"folder": str(folder), "pages": count})
    else:
        click.echo(f"{folder}: {count} pages; see: man jartide")


def write(folder: Path) -> int:
    """One file per command, `jartide-fed.1`, and `jartide.1`; returns how many. Raises OSError."""
    from monitor.cli import COMMANDS, main

    folder.mkdir(parents=True, exist_ok=True)
    whole = click.Context(main, info_name="jartide", **main.context_settings)
    pages = {"jartide": _whole_page()}
    for name in COMMANDS:
        command = main.get_command(whole, name)
        assert command is not None
        pages[f"jartide-{name}"] = _command_page(command, click.Context(command, info_name=name, parent=whole))
    for name, text in pages.items():
        (folder / f"{name}.1").write_text(text, "utf-8")
    return len(pages)


def _whole_page() -> str:
    from monitor.cli import GROUPS

    lines = [_head("jartide", "watches a jar of sourdough starter and says when to feed it")]
    lines += [".SH SYNOPSIS", ".B jartide", "COMMAND [ARGUMENTS]"]
    for group, commands in GROUPS.items():
        lines.append(f".SH {_roff(group).upper()}")
        for name, entry in commands.items():
            lines += [".TP", f".B {_roff(name)}", _roff(entry.line)]
    return _end(lines)


def _command_page(command: click.Command, context: click.Context) -> str:
    lines = [_head(f"jartide-{command.name}", command.get_short_help_str(200).rstrip("."))]
    usage = " ".join(command.collect_usage_pieces(context))
    lines += [".SH SYNOPSIS", f".B jartide {_roff(command.name or '')}", _roff(usage), ".SH DESCRIPTION"]
    for paragraph in re.split(r"\n\s*\n", (command.help or "").strip()):
        if paragraph.startswith("\b"):  # as in click: these lines stay as they are
            lines += [".PP", ".nf", *(_roff(line) for line in paragraph.splitlines()[1:]), ".fi"]
        else:
            lines += [".PP", _roff(" ".join(paragraph.split()))]
    options = [record for param in command.get_params(context) if (record := param.get_help_record(context))]
    lines.append(".SH OPTIONS")
    for names, told in options:
        if not told:  # an argument: the description explains it
            continue
        lines += [".TP", f".B {_roff(names)}", _roff(told)]
    return _end(lines)


def _head(name: str, what: str) -> str:
    return f'.TH "{name.upper()}" "1" "" "jartide {__version__}" "Jartide"\n.SH NAME\n{_roff(name)} \\- {_roff(what)}'


def _end(lines: list[str]) -> str:
    for title, rows in (("EXIT STATUS", STATUS), ("FILES", FILES)):
        lines.append(f".SH {title}")
        for name, told in rows.items():
            lines += [".TP", f".B {_roff(name)}", _roff(told)]
    return "\n".join([*lines, ".SH SEE ALSO", ".BR jartide (1),", "`jartide guide`"]) + "\n"


def _roff(text: str) -> str:
    """Text escaped for roff: backslashes, leading dots or quotes and hyphens are printed as themselves."""
    text = text.replace("\\", "\\e").replace("-", "\\-")
    return f"\\&{text}" if text.startswith((".", "'")) else text
