"""What can be typed under `bagwright fleet`."""

from __future__ import annotations

from pathlib import Path

import click

EXISTING = click.Path(path_type=Path)
CONFIG = click.option("--config", "config", type=EXISTING, required=True,
                      help="A configuration file, or a folder of them, with [fleet].")
CLUSTER = click.option("--cluster", required=True, metavar="ADDRESS",
                       help="HOST:PORT of a running Ray cluster, or auto.")


@click.group("fleet", short_help="Many skids on many machines: shards on a Ray cluster.")
def fleet() -> None:
    """The daemon's engine in fixed shards on an existing Ray cluster, with PostgreSQL; see deploy/FLEET.md."""


@fleet.command("run", short_help="Place the shards and watch over them.")
@CONFIG
@CLUSTER
def run(config: Path, cluster: str) -> None:
    """Begin every shard on the cluster, move shards where nodes come or go. Stopped, the shards go on without it."""
    from monitor.commands.fleet import run_fleet

    run_fleet(config, cluster)


@fleet.command("stop", short_help="End every shard.")
@CONFIG
@CLUSTER
def stop(config: Path, cluster: str) -> None:
    """Have every shard commit, say goodbye to the broker and end. What is published meanwhile waits at the broker."""
    from monitor.commands.fleet import stop_fleet

    stop_fleet(config, cluster)


@fleet.command("status", short_help="All shards: who has them, how they keep up.")
@CONFIG
@click.option("--json", "as_json", is_flag=True, help="For programs.")
def status(config: Path, as_json: bool) -> None:
    """Every shard with its holder, its newest reading and what waits to be sent, out of the database."""
    from monitor.commands.fleet import show_status

    show_status(config, as_json=as_json)


@fleet.command("page", short_help="One page over all shards.")
@CONFIG
@click.option("--port", type=click.IntRange(0, 65535), default=None, help="In place of the one under [web]; 0: any.")
def page(config: Path, port: int | None) -> None:
    """The page of a single daemon over the database of all shards: what is asked there reaches whoever has the skid."""
    from monitor.commands.fleet import run_page

    run_page(config, port=port)


@fleet.command("alarms", short_help="Every alarm of all shards that is not normal.")
@CONFIG
@click.option("--json", "as_json", is_flag=True, help="For programs.")
def alarms(config: Path, as_json: bool) -> None:
    """One list of every alarm of all shards that is not normal, the newest last."""
    from monitor.commands.fleet import show_alarms

    show_alarms(config, as_json=as_json)


@fleet.command("act", short_help="Acknowledge, shelve, reset: what single daemons are asked.")
@click.argument("verb")
@click.argument("target")
@CONFIG
@click.option("--by", "who", default=None, help="Who acts; default: this user.")
@click.option("--why", default="", help="Your own words, for the journal.")
def act(verb: str, target: str, config: Path, who: str | None, why: str) -> None:
    """Ask the shard of a skid to do VERB (ack, unshelve, reset ...) to TARGET, an alarm as `fleet alarms` names it."""
    from monitor.commands.fleet import act_on_fleet

    act_on_fleet(config, verb, target, who=who, why=why)
