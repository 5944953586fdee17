"""The command line: argument parsing and printing only. One module a command, imported when that command is called,
so that `jartide status` does not wait for numpy."""

from __future__ import annotations

import errno
import importlib
import os
import sys
from typing import NamedTuple

import click
from click.shell_completion import CompletionItem

from monitor import __version__
from monitor.cli.nearest import near

# numpy's linear algebra would start one thread per core, which spin while they wait: on matrices as small as ours they
# only take processor time from one another. This must be set before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


class Entry(NamedTuple):
    """Where a command is found, and its line in the lists, so that listing it does not import it."""

    module: str  # of this package
    line: str
    function: str | None = None  # if its name differs from the command's


# what a person wants to do -> its commands
GROUPS = {
    "Every day": {
        "status": Entry("status", "Every jar at a glance."),
        "fed": Entry("tell", "Say that JAR was fed, with the grams if you weighed them."),
        "note": Entry("tell", "Write something about JAR into the notebook."),
        "begun": Entry("tell", "Say when a starter was begun, or that it is old."),
        "rest": Entry("tell", "Say that it is in the fridge, or out again (--over)."),
        "snooze": Entry("tell", "Hold back a jar's notices for some hours."),
        "undo": Entry("undo", "Take back your last entry, or an event that never happened."),
        "plan": Entry("plan", "The next feeding, or what a feeding will do."),
        "bake": Entry("bake", "Plan feedings back from the hour you mix the dough."),
        "calendar": Entry("calendar", "Calendar addresses of feedings, for your phone."),
        "sheet": Entry("sheet", "Which jars to feed in the next hours, in order, with grams.", "sheet_command"),
        "handover": Entry("handover", "What has happened since an hour, and what is due."),
        "stagger": Entry("stagger", "Spread a group's feedings over oven times, or one after another."),
        "lot": Entry("lot", "Lots of flour: the open ones, those in a jar, where one went."),
        "assess": Entry("assess", "Is it fit to bake with, and if not, why?"),
        "guide": Entry("guide", "Pages about keeping a starter and about Jartide."),
    },
    "Looking back": {
        "runs": Entry("runs", "The runs and cycles in the store."),
        "review": Entry("review", "Look back at a run: each cycle with its curve."),
        "compare": Entry("review", "Compare cycles side by side."),
        "picture": Entry("picture", "Draw a run (PNG or SVG)."),
        "trial": Entry("trial", "Compare jars side by side: flours, ratios, places."),
    },
    "Setting up and watching": {
        "demo": Entry("demo", "Watch invented jars through one night."),
        "init": Entry("init", "Write a config step by step; with --service, set up the service."),
        "find": Entry("find", "Find the topics of devices you already have."),
        "check": Entry("check", "Test config, ports, brokers, jars and notices."),
        "calibrate": Entry("calibrate", "Find a jar's empty distance and shape."),
        "watch": Entry("watch", "Watch the jars until stopped."),
        "completion": Entry("completion", "Let the shell complete commands, jars and runs."),
        "manual": Entry("manual", "Write man pages into a folder."),
    },
    "Keeping the record": {
        "export": Entry("runs", "Write a run, or one cycle of it, as a run file (CSV)."),
        "move": Entry("move", "Move jars to another daemon, with their history."),
        "import": Entry("runs", "Read run files (CSV) into the store.", "import_"),
        "backup": Entry("runs", "Copy the whole store, even while it is in use."),
        "recover": Entry("recover", "Save what is readable of a damaged store."),
    },
    "Trying out": {
        "replay": Entry("replay", "Judge a recorded file as `watch` would have."),
        "simulate": Entry("simulate", "Play an invented jar to a file, port or broker."),
    },
}
COMMANDS = {command: entry for group in GROUPS.values() for command, entry in group.items()}
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
    wants to do."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        entry = COMMANDS[cmd_name]
        command = getattr(importlib.import_module(f"monitor.cli.{entry.module}"), entry.function or cmd_name)
        assert isinstance(command, click.Command)
        command.short_help = entry.line
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        wide = max(map(len, COMMANDS))
        for group, commands in GROUPS.items():
            with formatter.section(group):
                formatter.write_dl([(name.ljust(wide), entry.line) for name, entry in commands.items()])

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Like click's own, which would import every command to get its line."""
        found = [
            CompletionItem(name, help=entry.line) for name, entry in COMMANDS.items() if name.startswith(incomplete)
        ]
        return found + click.Command.shell_complete(self, ctx, incomplete)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            usual = USUAL_WORDS.get(args[0])
            meant = f" Did you mean {usual}?" if usual else near(args[0], COMMANDS)
            ctx.fail(f"There is no command {args[0]}.{meant or f' `{ctx.info_name} --help` lists them.'}")
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        """Run the command. An error of the machine that was not handled anywhere nearer ends it with one line."""
        try:
            return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise  # click's own ends, `--help` among them
        except Exception as error:
            line, code = _refused(error)
            if not line:
                raise
            click.echo(line, err=True)
            sys.exit(code)


def _refused(error: Exception) -> tuple[str, int]:
    """(what to say, the exit code) for an error caused by the machine or a file; "" for a mistake of ours."""
    from monitor.runs.run_file import RunFileError
    from monitor.runs.store_file import StoreTrouble

    if (
        isinstance(error, OSError) and error.errno != errno.EPIPE
    ):  # the reader of our output may stop reading: click then ends quietly
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
