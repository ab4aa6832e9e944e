"""Which skid belongs to which shard, and what a shard is told."""

from __future__ import annotations

import hashlib
from dataclasses import replace

from monitor.settings import Settings


def shard_of(skid: str, shards: int) -> int:
    """The shard of a skid: the first eight bytes of its name's SHA-256 (FIPS 180-4), modulo their number. The same on
    every machine, for ever."""
    return int.from_bytes(hashlib.sha256(skid.encode()).digest()[:8]) % shards


def settings_of(settings: Settings, shard: int) -> Settings:
    """A shard's part of a configuration: its skids, a client id of its own for the broker's session, and topics of the
    monitor's own below PREFIX/SHARD, since several monitors speak."""
    broker = settings.broker
    return replace(
        settings,
        skids=tuple(skid for skid in settings.skids if shard_of(skid.id, settings.fleet.shards) == shard),
        broker=None if broker is None else replace(
            broker, client_id=f"{broker.client_id}-{shard}", prefix=f"{broker.prefix}/{shard}"),
    )


def occupied(settings: Settings) -> list[int]:
    """Shards that have skids, rising."""
    return sorted({shard_of(skid.id, settings.fleet.shards) for skid in settings.skids})


def digest(settings: Settings) -> str:
    """Changes with a shard's settings; secrets are not in it."""
    return hashlib.sha256(repr(settings).encode()).hexdigest()[:16]
