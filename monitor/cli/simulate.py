"""`jartide simulate SCENARIO.toml`: an invented jar, as a file, a serial line or an MQTT device."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.numbers import Within
from monitor.host import named_file

if TYPE_CHECKING:
    from collections.abc import Iterator

    from monitor.simulator.player import Pace
    from monitor.simulator.scenario import Scenario
    from monitor.simulator.truth import JarTruth


@click.command()
@click.argument("scenario", type=click.Path(path_type=Path), metavar="SCENARIO.toml")
@click.option("-o", "--out", type=click.Path(path_type=Path), help="Write a run file (many jars: one each).")
@click.option("--pty", is_flag=True, help="Play into a pseudo-terminal, like a device on a serial line.")
@click.option(
    "--link", type=click.Path(path_type=Path), help="With --pty: a symbolic link to it, /tmp/jar for example."
)
@click.option("--mqtt", metavar="HOST[:PORT]", help="Play to an MQTT broker, like devices.")
@click.option("--topic", default="jartide/{jar}/reading", show_default=True, help="With --mqtt.")
@click.option("--speed", type=Within(0.1, 100_000), default=1.0, show_default=True, help="Times real time.")
@click.option("--clock", type=click.Path(path_type=Path, dir_okay=False),
              help="Share the played time through this file, for `jartide watch --clock`.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0, 2**32 - 1), help="Random seed.  [default: the scenario's]")
@click.option("--hours", type=Within(0.1, 9000), help="Length.  [default: the scenario's]")
@click.option("--truth", type=click.Path(path_type=Path), help="File for the truth; with -o RUN.csv: RUN.truth.json.")
@click.option("--feedings", type=click.Path(path_type=Path), help="With -o, one jar: also a FEEDINGS.csv for replay.")
def simulate(
    scenario: Path, out: Path | None, pty: bool, link: Path | None, mqtt: str | None, topic: str, speed: float,
    clock: Path | None, seed: int | None, hours: float | None, truth: Path | None, feedings: Path | None,
) -> None:  # fmt: skip
    """Play a scenario: to a CSV (-o), into a pseudo-terminal (--pty), or to an MQTT broker (--mqtt)."""
    if sum((out is not None, pty, mqtt is not None)) != 1:
        raise click.UsageError("give exactly one of -o RUN.csv, --pty and --mqtt HOST")
    if mqtt is not None and "{jar}" not in topic:
        raise click.UsageError("--topic must hold {jar}, like jartide/{jar}/reading")
    if out is not None and clock is not None:
        raise click.UsageError("--clock goes with --pty or --mqtt: a file is written all at once")
    from monitor.simulator.player import Pace, PlayerError, truth_json, write_truth
    from monitor.simulator.scenario import ScenarioError
    from monitor.simulator.scenario import read as read_scenario

    try:
        played = read_scenario(named_file.text_of(scenario), str(scenario))
        played = replace(played, seed=played.seed if seed is None else seed, hours=hours or played.hours)
        truths: dict[str, JarTruth] = {}
        shift_s = 0.0
        if out is not None:
            _to_files(played, scenario.name, out, feedings, truths)
        else:
            shift_s = _as_device(played, link, mqtt, topic, Pace(played, speed), clock, truths)
        beside = truth or (out.with_name(out.stem + ".truth.json") if out is not None else None)
        if beside is not None:
            write_truth(beside, truth_json(played, truths, shift_s))
    except OSError as error:
        _wrong(f"{scenario}: {error.strerror or error}")
    except UnicodeDecodeError:
        _wrong(f"{scenario}: not a text file in UTF-8")
    except (ScenarioError, PlayerError) as error:
        _wrong(str(error))


def _wrong(text: str) -> None:
    click.echo(text, err=True)
    sys.exit(2)


def _to_files(scenario: Scenario, name: str, out: Path, told: Path | None, truths: dict[str, JarTruth]) -> None:
    from monitor.runs import run_file, whole_file
    from monitor.simulator.player import PlayerError, feedings, write_runs

    if told is not None and len(scenario.jar) != 1:
        raise PlayerError(f"--feedings {told}: this scenario has {len(scenario.jar)} jars; allowed with one")
    paths = write_runs(scenario, out, truths, name)
    if told is not None:
        with whole_file.writing(told) as file:
            run_file.write_feedings(file, feedings(truths[scenario.jar[0].name]))
        paths.append(told)
    for path in paths:
        click.echo(f"wrote {path}")


def _as_device(
    scenario: Scenario, link: Path | None, mqtt: str | None, topic: str, paced: Pace, clock: Path | None,
    truths: dict[str, JarTruth],
) -> float:  # fmt: skip
    from monitor.core.display.units import duration
    from monitor.simulator.player import PlayerError, terminal, to_broker, to_terminal
    from monitor.simulator.scene import play

    lasts = duration(scenario.hours / paced.speed * 3600)
    with _until_stopped(paced) as pace, _shared(clock, scenario, pace):
        if mqtt is None:
            with terminal(link) as (descriptor, path):
                click.echo(f"a device sends on {path} for {lasts}; Ctrl-C ends it")
                count = to_terminal(play(scenario, truths), descriptor, pace)
        else:
            host, _, port = mqtt.rpartition(":") if ":" in mqtt else (mqtt, "", "1883")
            if not port.isdigit() or not 0 < int(port) < 65536:
                raise PlayerError(f"--mqtt {mqtt}: write HOST or HOST:PORT, like localhost:1883")
            click.echo(f"devices publish to {host}:{port} for {lasts}; Ctrl-C ends it")
            count = to_broker(play(scenario, truths), host, int(port), topic, pace)
    click.echo(f"sent {count} messages")
    return pace.shift_s


@contextmanager
def _shared(path: Path | None, scenario: Scenario, pace: Pace) -> Iterator[None]:
    """Keep the played time in a file while it is played."""
    from monitor.host import played_clock

    if path is None:
        yield
        return
    shown_s = scenario.starts_s + pace.shift_s
    played_clock.write(path, played_clock.PlayedClock(began_s=pace.began_s, shown_s=shown_s, speed=pace.speed))
    try:
        yield
    finally:
        path.unlink(missing_ok=True)


@contextmanager
def _until_stopped(pace: Pace) -> Iterator[Pace]:
    """Ctrl-C and SIGTERM end the play in good order, so that the truth is still written."""
    import signal

    before = {number: signal.signal(number, lambda *_: pace.stop.set()) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield pace
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
