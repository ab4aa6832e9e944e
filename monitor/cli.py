"""The command line: what can be typed, and how a fault reaches a person (a sentence, an exit code, no traceback)."""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path
from typing import Any

import click

from monitor import __version__
from monitor.cli_alarms import COMMANDS
from monitor.cli_case import case
from monitor.cli_fleet import fleet
from monitor.cli_options import as_exported
from monitor.commands.usage import Number, TakesFolders, explained
from monitor.errors import ConfigError, InputError, MonitorError, RunError

EXISTING = click.Path(path_type=Path)
DEBUG = "BAGWRIGHT_DEBUG"


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="bagwright")
def cli() -> None:
    """Watches skids of liquid bag-filter vessels from their pressure transmitters.

    It advises. It never tells anyone that a vessel is safe to open.
    """


@cli.command(short_help="A whole simulated system on this machine.")
@click.option("--speed", type=Number(1, 1000), default=180.0, show_default=True, help="Times faster than life.")
@click.option("--port", type=Number(0, 65535, whole=True), default=8321, show_default=True,
              help="Port of the page on 127.0.0.1; another free one is taken where it is in use.")
@click.option("--for", "seconds", type=Number(1), default=None, help="Stop by itself after that many seconds.")
@click.option("--dir", "folder", type=EXISTING, default=None, help="Keep broker, store and configuration here.")
def demo(speed: float, port: int, seconds: float | None, folder: Path | None) -> None:
    """A whole system on this machine: broker, simulated skid, daemon, store, page."""
    from monitor.commands.demo import run_demo

    run_demo(speed=speed, port=port, seconds=seconds, folder=folder)


@cli.command()
@click.option("--config", "config", type=EXISTING, required=True, help="A configuration file, or a folder of them.")
@click.option("--no-page", is_flag=True, help="Do not serve the page.")
def run(config: Path, no_page: bool) -> None:
    """The daemon: watch the skids of a configuration."""
    from monitor.commands.run import run_daemon

    run_daemon(config, page=not no_page)


@cli.command(short_help="Validate configuration: every fault at once.")
@click.argument("path", type=EXISTING)
def check(path: Path) -> None:
    """Validate configuration: every fault at once, then what was understood."""
    from monitor.commands.check import run_check

    run_check(path)


@cli.command(cls=TakesFolders, short_help="Push recordings through the engine of the daemon.")
@click.argument("recordings", type=EXISTING, nargs=-1, required=True)
@click.option("--config", "config", type=EXISTING, required=True, help="Configuration file of the skid.")
@click.option("--out", type=EXISTING, required=True, help="Folder for the results.")
@as_exported
@click.option("--history", type=EXISTING, multiple=True, metavar="DIR...",
              help="Results of earlier replays, whose elements forecasts start from.")
@click.option("--set", "changes", multiple=True, metavar="KEY=VALUE",
              help="What if: a key of the configuration, such as alarm.dp-limit.on_delay='20 s'.")
def replay(recordings: tuple[Path, ...], config: Path, out: Path, timezone: str | None, dates: str | None,
           mapping: tuple[str, ...], skid_id: str | None, history: tuple[Path, ...], changes: tuple[str, ...]) -> None:
    """Push recordings through the engine that the daemon runs; write events and a report."""
    from monitor.commands.replay import run_replay

    run_replay(recordings, config, out, timezone=timezone, mapping=mapping, dates=dates, skid_id=skid_id,
               history=history, changes=changes)


@cli.command(short_help="What differs between two replays.")
@click.argument("first", type=EXISTING, metavar="RUN_A")
@click.argument("second", type=EXISTING, metavar="RUN_B")
@click.option("--out", type=EXISTING, default=None, help="Folder for a page with a plot around each difference.")
@click.option("--within", "within_s", type=Number(0), default=3600.0, show_default=True,
              help="Seconds that an event may have moved and still be the same one.")
@click.option("--config", "config", type=EXISTING, default=None,
              help="The skid's configuration: plots in its units, with its limits.")
def compare(first: Path, second: Path, out: Path | None, within_s: float, config: Path | None) -> None:
    """Events gained, lost, moved and changed between two replays of the same recordings."""
    from monitor.commands.compare import run_compare

    run_compare(first, second, out, within_s=within_s, config=config)


@cli.command(short_help="Search thresholds and delays over labelled recordings.")
@click.argument("recordings", type=EXISTING, nargs=-1, required=True)
@click.option("--labels", type=EXISTING, multiple=True, help="labels.json of a recording; a case has its own.")
@click.option("--config", "config", type=EXISTING, default=None, help="Configuration of the skid; a case has its own.")
@click.option("--out", type=EXISTING, required=True, help="Folder for the results; a search there goes on.")
@click.option("--vary", multiple=True, metavar="KEY[=LOW..HIGH]",
              help="Only these keys, such as alarm.dp-limit.on_delay='2 s..60 s'; else those of the kinds that occur.")
@click.option("--sets", type=Number(4, 100_000, whole=True), default=200, show_default=True, help="How many to try.")
@click.option("--seed", type=Number(0, whole=True), default=1, show_default=True, help="Of what is random.")
@click.option("--miss", type=Number(0, above=True), default=10.0, show_default=True,
              help="How many false alarms a missed event is worth.")
@click.option("--processes", type=Number(1, 1024, whole=True), default=None,
              help="Default: one for each core; with --cluster the most workers there.")
@click.option("--cluster", default=None, metavar="ADDRESS", help="HOST:PORT of a running Ray cluster; its nodes try.")
@as_exported
def tune(sets: int, seed: int, miss: float, **asked: Any) -> None:
    """Search thresholds, delays and deadbands over labelled recordings.

    Writes a recommended fragment of configuration with the reason for each change, and a report of the trade-off. No
    configuration is touched. RECORDINGS may be cases. Ctrl-C keeps the best so far; the same command goes on.
    """
    from monitor.commands.tune import Asked, run_tune

    run_tune(Asked(**asked), sets=sets, seed=seed, miss=miss)


@cli.command()
@click.option("--config", "config", type=EXISTING, required=True, help="A configuration file, or a folder of them.")
@click.option("--out", type=EXISTING, required=True, help="File to write, JSON Lines.")
@click.option("--for", "seconds", type=Number(0), default=None, help="Stop by itself after that many seconds.")
def record(config: Path, out: Path, seconds: float | None) -> None:
    """Capture live messages to a file that `replay` accepts."""
    from monitor.commands.record import run_record

    run_record(config, out, seconds=seconds)


@cli.command(short_help="The store as Parquet by day, for analysts.")
@click.option("--config", "config", type=EXISTING, required=True, help="A configuration file, or a folder of them.")
@click.option("--out", type=EXISTING, required=True, help="Folder of the files, one for each table, day and skid.")
@click.option("--from", "first", default=None, metavar="DAY", help="Also days that are there already; as 2026-05-01.")
@click.option("--to", "last", default=None, metavar="DAY", help="The last day, in UTC; else the last that is over.")
@click.option("--skid", default=None, help="Of this skid only.")
def export(config: Path, out: Path, first: str | None, last: str | None, skid: str | None) -> None:
    """Write what the store holds as Parquet by day (UTC): each day that is over and not there yet.

    With --from or --to the days asked for are written anew. The layout stands in deploy/LAYOUTS.md.
    """
    from monitor.commands.export import run_export

    run_export(config, out, skid=skid, first=first, last=last)


@cli.command(short_help="Write a simulated recording with known truth.")
@click.argument("scenario", required=False)
@click.option("--out", type=EXISTING, default=None, help="Folder for recording, labels and configuration.")
@click.option("--seed", type=Number(0, whole=True), default=1, show_default=True, help="Of what is random.")
@click.option("--days", type=Number(0, above=True), default=None, help="Length, where the scenario can vary it.")
def simulate(scenario: str | None, out: Path | None, seed: int, days: float | None) -> None:
    """Write a simulated recording with its labels and configuration; without SCENARIO list them."""
    from monitor.commands.simulate import run_simulate

    run_simulate(scenario, out, seed=seed, days=days)


@cli.command(short_help="The next changeouts: when, how sure, what to bring.")
@click.option("--config", "config", type=EXISTING, required=True, help="A configuration file, or a folder of them.")
@click.option("--skid", "skid_id", default=None, help="One skid alone.")
def plan(config: Path, skid_id: str | None) -> None:
    """The next changeouts of the skids in a store: when and how sure, the latest time to change on the run, elements
    needed, and what another changeout point would do."""
    from monitor.commands.plan import run_plan

    run_plan(config, skid_id=skid_id)


@cli.command(short_help="Serve the page over the store of a daemon.")
@click.option("--config", "config", type=EXISTING, required=True, help="A configuration file, or a folder of them.")
@click.option("--port", type=Number(0, 65535, whole=True), default=None, help="Instead of the configured one.")
@click.option("--beside", is_flag=True, hidden=True, help="End with whoever holds standard input open.")
def page(config: Path, port: int | None, beside: bool) -> None:
    """Serve the page over the store of a running or stopped daemon."""
    from monitor.commands.page import run_page

    run_page(config, port=port, beside=beside)


@cli.command(short_help="Serve OPC UA over the store of a daemon.")
@click.option("--config", "config", type=EXISTING, required=True, help="A configuration file, or a folder of them.")
@click.option("--beside", is_flag=True, hidden=True, help="End with whoever holds standard input open.")
def opcua(config: Path, beside: bool) -> None:
    """Serve OPC UA as `[opcua]` says, over the store of a running or stopped daemon; `run` does so by itself."""
    from monitor.commands.opcua import run_opcua

    run_opcua(config, beside=beside)


@cli.command(short_help="Why an event was told: its evidence.")
@click.argument("event")
@click.option("--config", "config", type=EXISTING, default=None, help="Configuration of the daemon that told it.")
@click.option("--store", type=EXISTING, default=None, help="A store, instead of the configured one.")
@click.option("--from", "folder", type=EXISTING, default=None, help="A folder that `replay --out` wrote.")
@click.option("--plot", type=EXISTING, default=None, help="Write a page with the plots around it (HTML).")
@click.option("--no-replay", is_flag=True, help="Do not run the stored readings again.")
def explain(event: str, config: Path | None, store: Path | None, folder: Path | None, plot: Path | None,
            no_replay: bool) -> None:
    """Show the evidence of an event: numbers compared, window, rule, smallest detectable case, a plot.

    EVENT is an event's id, a part of it, or its time. From a store the readings around it are run again.
    """
    from monitor.commands.explain import run_explain

    run_explain(event, config=config, store=store, folder=folder, plot=plot, replay=not no_replay)


@cli.command(short_help="What the store of a daemon holds, and how fast it comes.")
@click.option("--config", "config", type=EXISTING, required=True, help="A configuration file, or a folder of them.")
@click.option("--json", "as_json", is_flag=True, help="For programs.")
def status(config: Path, as_json: bool) -> None:
    """Sizes, lag, rates and counts of a running or stopped daemon's store."""
    from monitor.commands.status import run_status

    run_status(config, as_json=as_json)


@cli.group(short_help="Zero trims: list, approve, undo.")
def trim() -> None:
    """Zero trims of pressure transmitters: proposed when a zero has shifted, in force only when a person says so."""


CONFIG = click.option("--config", "config", type=EXISTING, required=True,
                      help="A configuration file, or a folder of them.")
SKID = click.option("--skid", "skid_id", default=None, help="Which skid, where several have that signal.")
BY = click.option("--by", required=True, help="Who decides.")
WHY = click.option("--why", "--reason", "reason", default="", help="Why; it is kept with the decision.")


@trim.command(name="list")
@CONFIG
@SKID
def trim_list(config: Path, skid_id: str | None) -> None:
    """The newest decision on every signal."""
    from monitor.commands.trim import run_list

    run_list(config, skid_id)


@trim.command()
@click.argument("signal")
@CONFIG
@SKID
@BY
@WHY
def approve(signal: str, config: Path, skid_id: str | None, by: str, reason: str) -> None:
    """Put a proposed trim in force, from the next reading on."""
    from monitor.commands.trim import run_decide

    run_decide(config, "approve", signal, skid_id=skid_id, by=by, reason=reason)


@trim.command()
@click.argument("signal")
@CONFIG
@SKID
@BY
@WHY
def undo(signal: str, config: Path, skid_id: str | None, by: str, reason: str) -> None:
    """Take a trim back: the transmitter reads as before it."""
    from monitor.commands.trim import run_decide

    run_decide(config, "undo", signal, skid_id=skid_id, by=by, reason=reason)


@cli.command(short_help="A copy of a store, also of a running daemon's.")
@click.argument("copy", type=EXISTING)
@CONFIG
def backup(copy: Path, config: Path) -> None:
    """Write a whole, checked copy of the store to the file COPY, beside a running daemon or without one."""
    from monitor.commands.backup import run_backup

    run_backup(config, copy)


@cli.command(short_help="Put such a copy back, while the daemon is stopped.")
@click.argument("copy", type=EXISTING)
@CONFIG
def restore(copy: Path, config: Path) -> None:
    """Put COPY in the place of the store while no daemon runs. What was there is kept beside it."""
    from monitor.commands.backup import run_restore

    run_restore(config, copy)


cli.add_command(case)
cli.add_command(fleet)


@cli.command(hidden=True)
def warm() -> None:
    """Compile now what otherwise the first run compiles."""
    from monitor.commands.warm import warm_up

    warm_up()


for command in COMMANDS:
    cli.add_command(command)


def main() -> None:
    """Entry point of `bagwright`."""
    for stream in (sys.stdout, sys.stderr):
        # A name that the terminal cannot show must not end the program.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        code = cli.main(prog_name="bagwright", standalone_mode=False)
    except (click.exceptions.Abort, KeyboardInterrupt):
        code = fail("stopped", 130)
    except click.exceptions.NoArgsIsHelpError as error:
        code = tell(error.format_message(), InputError.exit_code)
    except click.ClickException as error:
        code = fail(explained(error), InputError.exit_code)
    except ConfigError as error:
        code = tell(str(error), error.exit_code)
    except MonitorError as error:
        code = fail(str(error), error.exit_code)
    except BrokenPipeError:
        # Who read our output has gone; nobody is left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = RunError.exit_code
    except Exception as error:
        if os.environ.get(DEBUG):
            raise
        code = fail(
            f"an unexpected fault of this program: {type(error).__name__}: {error}; "
            f"run it again with {DEBUG}=1 and report what it then prints",
            RunError.exit_code,
        )
    sys.exit(code if isinstance(code, int) else 0)


def fail(sentence: str, code: int) -> int:
    return tell(f"bagwright: {sentence}", code)


def tell(sentence: str, code: int) -> int:
    print(sentence, file=sys.stderr)
    return code
