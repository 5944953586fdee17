"""The command line: argument parsing and printing only. One module a command, imported when that command is called,
so that `jartide status` does not wait for numpy."""

from __future__ import annotations

import errno
import importlib
import os
import sys

import click

from monitor import __version__
from monitor.cli.nearest import near

# numpy's linear algebra would start a thread a core, which wait by spinning: on matrices as small as ours they only
# take the processor from one another. To be set before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# what a person is about -> command -> module of this package, whose function of the same name is the click command
GROUPS = {
    "Every day": {
        "status": "status",
        "fed": "tell",
        "note": "tell",
        "begun": "tell",
        "rest": "tell",
        "snooze": "tell",
        "undo": "undo",
        "plan": "plan",
        "bake": "bake",
        "calendar": "calendar",
        "sheet": "sheet",
        "handover": "handover",
        "stagger": "stagger",
        "lot": "lot",
        "assess": "assess",
        "guide": "guide",
    },
    "Looking back": {
        "runs": "runs",
        "review": "review",
        "compare": "review",
        "picture": "picture",
        "trial": "trial",
    },
    "Setting up and watching": {
        "demo": "demo",
        "init": "init",
        "find": "find",
        "check": "check",
        "calibrate": "calibrate",
        "watch": "watch",
        "completion": "completion",
        "manual": "manual",
    },
    "Keeping the record": {
        "export": "runs",
        "move": "move",
        "import": "runs",
        "backup": "runs",
        "recover": "recover",
    },
    "Trying out": {
        "replay": "replay",
        "simulate": "simulate",
    },
}
COMMANDS = {command: module for group in GROUPS.values() for command, module in group.items()}
USUAL_WORDS = {
    "feed": "fed",
    "list": "runs",
    "start": "watch",
    "run": "watch",
    "log": "note",
    "sleep": "snooze",
    "setup": "init",
}


class _Lazy(click.Group):
    """A group that imports a command's module only when the command is named, and lists the commands by what a person
    is about."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"monitor.cli.{COMMANDS[cmd_name]}")
        command = getattr(module, {"import": "import_", "sheet": "sheet_command"}.get(cmd_name, cmd_name))
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        wide = max(map(len, COMMANDS))
        for group, commands in GROUPS.items():
            with formatter.section(group):
                found = [(name, self.get_command(ctx, name)) for name in commands]
                room = formatter.width - 6 - wide
                formatter.write_dl(
                    [(name.ljust(wide), command.get_short_help_str(room)) for name, command in found if command]
                )

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            usual = USUAL_WORDS.get(args[0])
            meant = f" Did you mean {usual}?" if usual else near(args[0], COMMANDS)
            ctx.fail(f"There is no command {args[0]}.{meant or f' `{ctx.info_name} --help` lists them.'}")
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        """Run the command. What the machine refuses it anywhere, and nobody nearer knew better, ends it in one line."""
        try:
            return super().invoke(ctx)
        except Exception as error:
            line, code = _refused(error)
            if not line:
                raise
            click.echo(line, err=True)
            sys.exit(code)


def _refused(error: Exception) -> tuple[str, int]:
    """(what to say, the exit code) of an error that is the machine's or a file's and no mistake of ours; else ""."""
    from monitor.runs.run_file import RunFileError
    from monitor.runs.store_file import StoreTrouble

    if isinstance(error, OSError) and error.errno != errno.EPIPE:  # whoever reads us may stop: click ends quietly
        why = error.strerror or str(error)
        return f"{error.filename}: {why}" if error.filename else f"stopped by the machine: {why}", 2
    if isinstance(error, StoreTrouble):
        return str(error), 2 if error.lasting else 1
    return str(error) if isinstance(error, RunFileError) else "", 2


@click.group(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="jartide")
def main() -> None:
    """Watches a jar of sourdough starter and says when to feed it.

    A first look, without any device: jartide demo
    """
