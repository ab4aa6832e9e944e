"""An existing Ray cluster: how it is joined, and what is said where it cannot be. Ray is imported here and late."""

from __future__ import annotations

import os
import re
import socket
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from monitor.errors import InputError, RunError

MISSING = "--cluster needs Ray, not installed here: pip install 'bagwright[fleet]', here and on every node"
ACCEPTED = "accepted: HOST:PORT of the head of a running Ray cluster, or auto on one of its nodes"
REACH_S = 5.0       # Ray itself tries a dead address for minutes


def _ray_library() -> Any:
    """The module; InputError where it is not installed."""
    os.environ.setdefault("RAY_USAGE_STATS_ENABLED", "0")   # it would tell its makers of its use
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import ray
    except ImportError:
        raise InputError(MISSING) from None
    return ray


@contextmanager
def joined(address: str, namespace: str) -> Iterator[Any]:
    """The module `ray`, joined to the cluster at `address`. RunError where there is none, InputError without Ray."""
    ray = _ray_library()
    _reach(address)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            ray.init(address=address, namespace=namespace, log_to_driver=False, logging_level="ERROR")
    except (ConnectionError, ValueError, RuntimeError, OSError, ray.exceptions.RayError) as error:
        reason = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
        raise RunError(f"{address}: this Ray cluster cannot be joined ({reason}); {ACCEPTED}; the same versions of Ray "
                       "and Python there and here; its token in RAY_AUTH_TOKEN where it asks for one") from None
    try:
        yield ray
    finally:
        ray.shutdown()


def _reach(address: str) -> None:
    if address == "auto":
        return
    match = re.fullmatch(r"\[?([^\[\]/]+?)\]?:(\d{1,5})", address)
    if match is None:
        raise InputError(f"{address}: no address of a cluster; {ACCEPTED}")
    try:
        socket.create_connection((match[1], int(match[2])), REACH_S).close()
    except (OSError, OverflowError) as error:
        raise RunError(f"{address}: nothing answers there ({getattr(error, 'strerror', None) or error}); "
                       f"{ACCEPTED}") from None


def cause_of(error: BaseException) -> str:
    """The last line of what Ray says of a fault on a node: the fault itself; the rest is the way there."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return lines[-1] if lines else type(error).__name__
