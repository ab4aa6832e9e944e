"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

EXPORTED = (
    click.option("--timezone", default=None, help="Of local times without offset, such as Europe/Oslo."),
    click.option("--dates", type=click.Choice(["day-first", "month-first"]), default=None,
                 help="How to read dates such as 03/04/2026."),
    click.option("--map", "mapping", multiple=True, metavar="COLUMN=SIGNAL",
                 help="A column, tag or topic that stands for a signal, or for time; 'PT-101 [psi]' where its values "
                      "are in another unit than the configured one."),
    click.option("--skid", "skid_id", default=None, help="Which skid, where the configuration has several."),
)  # fmt: skip


def as_exported(command: Callable[..., Any]) -> Callable[..., Any]:
    """How recordings are to be read, and for which skid: timezone, dates, mapping, skid_id."""
    for option in reversed(EXPORTED):
        command = option(command)
    return command
