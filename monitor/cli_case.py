"""What can be typed under `bagwright case`."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cli_options import as_exported
from monitor.commands.usage import Number

EXISTING = click.Path(path_type=Path)


@click.group("case", short_help="A recording with labels and configuration as one dated folder.")
def case() -> None:
    """Make, label and verify cases: a recording, its labels and its configuration as one dated folder."""


@case.command("new", short_help="Make a case of an export as it comes; list its changeouts.")
@click.argument("recordings", type=EXISTING, nargs=-1, required=True)
@click.option("--config", "config", type=EXISTING, required=True, help="Configuration file of the skid.")
@click.option("--out", type=EXISTING, required=True, help="Where the dated folder is made.")
@as_exported
def new(recordings: tuple[Path, ...], config: Path, out: Path, timezone: str | None, dates: str | None,
        mapping: tuple[str, ...], skid_id: str | None) -> None:
    """Copy RECORDINGS with their configuration and checksums into a dated folder, replay them once, list the changeouts
    with life, volume and verdict, and propose labels."""
    from monitor.commands.case import run_new

    run_new(recordings, config, out, timezone=timezone, mapping=mapping, dates=dates, skid_id=skid_id)


@case.command("labels", short_help="List, confirm and correct labels.")
@click.argument("folder", type=EXISTING)
@click.option("--confirm", metavar="NUMBERS", help="Proposals that are right: 3, or 1,4-6, or all.")
@click.option("--reject", metavar="NUMBERS", help="What was none: it becomes a decoy.")
@click.option("--correct", metavar="NUMBERS", help="With --at, --until, --kind, --vessel, --signal, --detail or "
                                                      "--within.")
@click.option("--drop", metavar="NUMBERS", help="Take out.")
@click.option("--add", metavar="KIND", help="What no replay proposed; with --at.")
@click.option("--at", "time", metavar="TIME", help="When it began, as 2026-04-14T07:16:00Z.")
@click.option("--until", metavar="TIME", help="When its condition ended.")
@click.option("--kind", help="Instead of the proposed one.")
@click.option("--vessel", help="The vessel it was.")
@click.option("--signal", help="The transmitter of a signal fault.")
@click.option("--detail", help="The word of the contract, such as resistance-low.")
@click.option("--within", "within_s", type=Number(0), default=None, help="Seconds in which a detection is in time.")
@click.option("--why", default=None, help="With --reject: what it was.")
@click.option("--by", "who", default=None, help="Who says so; else the name of this user.")
def labels(folder: Path, confirm: str | None, reject: str | None, correct: str | None, drop: str | None,
           add: str | None, who: str | None, **changes: str | float | None) -> None:
    """List the labels of a case with numbers, or change them by these numbers; checksums follow."""
    from monitor.commands.case import run_labels

    run_labels(folder, confirm=confirm, reject=reject, correct=correct, drop=drop, add=add, changes=changes,
               who=who)


@case.command("page", short_help="Confirm and correct labels in a browser.")
@click.argument("folder", type=EXISTING)
@click.option("--port", type=Number(0, 65535, whole=True), default=8322, show_default=True,
              help="On 127.0.0.1; 0 takes a free one.")
def page(folder: Path, port: int) -> None:
    """Serve the cases of FOLDER to a browser on this machine, without a daemon.

    Beside a daemon, `[web] cases` names the folder, and log-in and rights are those of its page.
    """
    from monitor.commands.case import run_case_page

    run_case_page(folder, port=port)


@case.command("verify", short_help="Check a case against its checksums.")
@click.argument("folder", type=EXISTING)
def verify(folder: Path) -> None:
    """Check that a case is as it was made."""
    from monitor.commands.case import run_verify

    run_verify(folder)
