"""What can be typed about alarms: acting on them, their journal, how they perform."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.commands.usage import Number

EXISTING = click.Path(path_type=Path)
CONFIG = click.option("--config", "config", type=EXISTING, required=True,
                      help="A configuration file, or a folder of them.")
BY = click.option("--by", "who", default=None, help="Who acts; else the name of this user.")
WHY = click.option("--why", default="", help="Why; it is kept.")
REASON = click.option("--why", required=True, help="Why; it is kept.")
TARGET = click.argument("target", metavar="ALARM")
SKID = click.option("--skid", default=None, help="Of this skid only.")
JSON = click.option("--json", "as_json", is_flag=True, help="For programs.")


@click.command(short_help="Acknowledge an alarm, or all of a skid.")
@TARGET
@CONFIG
@BY
@WHY
def ack(target: str, config: Path, who: str | None, why: str) -> None:
    """Acknowledge ALARM: SKID/KIND, SKID/KIND/WHERE, or SKID for everything that waits there."""
    from monitor.commands.act import run_act

    run_act(config, "ack", target, who=who, why=why)


@click.command(short_help="Hide an alarm for a limited time.")
@TARGET
@CONFIG
@click.option("--for", "length", required=True, help="How long, such as '30 min'.")
@BY
@REASON
def shelve(target: str, config: Path, length: str, who: str | None, why: str) -> None:
    """Hide ALARM for a limited time; it is announced again where it still stands then."""
    from monitor.commands.act import run_act, seconds

    run_act(config, "shelve", target, who=who, why=why, for_s=seconds(length, "--for"))


@click.command()
@TARGET
@CONFIG
@BY
@WHY
def unshelve(target: str, config: Path, who: str | None, why: str) -> None:
    """Bring a shelved ALARM back into view."""
    from monitor.commands.act import run_act

    run_act(config, "unshelve", target, who=who, why=why)


@click.command(short_help="Reset the latch of an alarm that is over.")
@TARGET
@CONFIG
@BY
@REASON
def reset(target: str, config: Path, who: str | None, why: str) -> None:
    """Reset the latch of an acknowledged ALARM whose condition is over."""
    from monitor.commands.act import run_act

    run_act(config, "reset", target, who=who, why=why)


@click.command(name="out-of-service", short_help="Take an alarm out of service.")
@TARGET
@CONFIG
@BY
@REASON
def out_of_service(target: str, config: Path, who: str | None, why: str) -> None:
    """Take ALARM out of service, until somebody returns it."""
    from monitor.commands.act import run_act

    run_act(config, "out-of-service", target, who=who, why=why)


@click.command(name="in-service", short_help="Return an alarm to service.")
@TARGET
@CONFIG
@BY
@WHY
def in_service(target: str, config: Path, who: str | None, why: str) -> None:
    """Return ALARM to service."""
    from monitor.commands.act import run_act

    run_act(config, "in-service", target, who=who, why=why)


@click.command(short_help="Put a changed element on record.")
@click.argument("vessel", metavar="SKID/VESSEL")
@CONFIG
@click.option("--at", default=None, help="When (RFC 3339); else now.")
@click.option("--part", default=None, help="What was fitted; else the configured element.")
@BY
@WHY
def changed(vessel: str, config: Path, at: str | None, part: str | None, who: str | None, why: str) -> None:
    """Put on record that the element of SKID/VESSEL was changed."""
    from monitor.commands.act import moment, run_act

    run_act(config, "changed", vessel, who=who, why=why, at=moment(at, "--at"), part=part)


@click.command(short_help="What moved the alarms, what people wrote; notes.")
@CONFIG
@SKID
@click.option("--since", default=None, help="From this time on (RFC 3339).")
@click.option("--limit", type=Number(1, 100_000, whole=True), default=50, show_default=True, help="Lines at most.")
@click.option("--people", is_flag=True, help="Only what people did.")
@click.option("--note", default=None, help="Write this down instead, about the skid where one is named.")
@BY
@JSON
def journal(config: Path, skid: str | None, since: str | None, limit: int, people: bool, note: str | None,
            who: str | None, as_json: bool) -> None:
    """Show the journal, oldest first; or write a note into it."""
    from monitor.commands.act import moment, run_act
    from monitor.commands.journal import run_journal

    if note is not None:
        run_act(config, "journal", skid or "", who=who, why=note)
        return
    run_journal(config, skid=skid, start=moment(since, "--since"), limit=limit, people=people, as_json=as_json)


@click.command(short_help="How the alarm system performs.")
@CONFIG
@click.option("--days", type=Number(0, above=True), default=30.0, show_default=True, help="Up to the newest reading.")
@SKID
@JSON
@click.option("--out", type=EXISTING, default=None, help="A file .html or .pdf: changeouts, alarms, data, elements.")
@click.option("--period", type=click.Choice(["shift", "day", "month"]), default="day", show_default=True,
              help="What --out covers.")
@click.option("--at", default=None, help="A time in that period, RFC 3339; else the newest reading.")
@click.option("--timezone", default=None,
              help="Whose clocks shifts, days and months go by, as Europe/Oslo; else [web] timezone.")
def report(config: Path, days: float, skid: str | None, as_json: bool, out: Path | None, period: str, at: str | None,
           timezone: str | None) -> None:
    """Alarms a day and in ten minutes, floods, chattering, stale, by priority; with --out a whole report."""
    if out is not None:
        from monitor.commands.period_report import write_period

        write_period(config, out, period=period, at=at, timezone=timezone, skid=skid)
        return
    from monitor.commands.alarm_report import run_report

    run_report(config, days=days, skid=skid, as_json=as_json)


@click.command(short_help="Have a running daemon read its configuration again.")
@CONFIG
@BY
@WHY
def reload(config: Path, who: str | None, why: str) -> None:
    """Have the daemon take its configuration anew, with skids added, removed or changed; one with a fault changes
    nothing. SIGHUP does the same."""
    from monitor.commands.act import run_act

    run_act(config, "reload", "", who=who, why=why)


@click.command(short_help="Try again what a receiver refused.")
@click.argument("channel")
@CONFIG
def requeue(channel: str, config: Path) -> None:
    """Try again the notices that CHANNEL refused; `bagwright status` lists channels."""
    from monitor.commands.act import run_requeue

    run_requeue(config, channel)


COMMANDS = (ack, shelve, unshelve, reset, out_of_service, in_service, changed, journal, report, reload, requeue)
