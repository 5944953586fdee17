"""`jartide completion SHELL`: a script by which the shell completes commands, options, jars and runs."""

from __future__ import annotations

import click
from click.shell_completion import CompletionItem, get_completion_class

from monitor.cli.opening import found_config

SHELLS = {
    "bash": 'eval "$(jartide completion bash)"          # in ~/.bashrc',
    "zsh": 'eval "$(jartide completion zsh)"           # in ~/.zshrc',
    "fish": "jartide completion fish | source           # in ~/.config/fish/config.fish",
}


@click.command()
@click.argument("shell", type=click.Choice(list(SHELLS)))
def completion(shell: str) -> None:
    """Print what SHELL needs to complete commands, options, jars and runs.

    \b
    eval "$(jartide completion bash)"    # in ~/.bashrc
    eval "$(jartide completion zsh)"     # in ~/.zshrc
    jartide completion fish | source     # in ~/.config/fish/config.fish
    """
    from monitor.cli import main

    made = get_completion_class(shell)
    assert made is not None
    click.echo(made(main, {}, "jartide", "_JARTIDE_COMPLETE").source())


def jars(ctx: click.Context, param: click.Parameter, begun: str) -> list[CompletionItem]:
    """The config's jars; none if it cannot be read: a shell's prompt is no place to report that."""
    from monitor.config.reader import SettingsError, load

    try:
        settings = load(ctx.params.get("config") or found_config())
    except SettingsError:
        return []
    return [CompletionItem(jar.name) for jar in settings.jars if jar.name.startswith(begun)]


def runs(ctx: click.Context, param: click.Parameter, begun: str) -> list[CompletionItem]:
    """The numbers of the store's runs, each with its jar."""
    from monitor.config.reader import SettingsError, load
    from monitor.runs.store import Store, StoreTrouble

    try:
        path = ctx.params.get("store_path") or load(ctx.params.get("config") or found_config()).store.path
        with Store.join(path) as store:
            found = store.runs()
    except (SettingsError, StoreTrouble):
        return []
    return [CompletionItem(str(run.id), help=run.jar) for run in found if str(run.id).startswith(begun)]
