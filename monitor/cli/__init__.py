"""The command line: argument parsing and printing only. One module a command, imported when that command is called,
so that `jartide status` does not wait for numpy."""

from __future__ import annotations

import importlib
import os

import click

from monitor import __version__

# numpy's linear algebra would start a thread a core, which wait by spinning: on matrices as small as ours they only
# take the processor from one another. To be set before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# command -> module of this package; the module's function of the same name is the click command
COMMANDS = {
    "watch": "watch",
    "demo": "demo",
    "check": "check",
    "calibrate": "calibrate",
    "status": "status",
    "fed": "tell",
    "note": "tell",
    "rest": "tell",
    "snooze": "tell",
    "undo": "tell",
    "runs": "runs",
    "export": "runs",
    "import": "runs",
    "backup": "runs",
    "recover": "recover",
    "replay": "replay",
    "plan": "plan",
    "assess": "assess",
    "trial": "trial",
    "sheet": "sheet",
    "simulate": "simulate",
    "picture": "picture",
    "review": "review",
    "compare": "review",
}


class _Lazy(click.Group):
    """A group that imports a command's module only when the command is named."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"monitor.cli.{COMMANDS[cmd_name]}")
        command = getattr(module, {"import": "import_", "sheet": "sheet_command"}.get(cmd_name, cmd_name))
        assert isinstance(command, click.Command)
        return command


@click.group(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="jartide")
def main() -> None:
    """Watches a jar of sourdough starter and says when to feed it."""
