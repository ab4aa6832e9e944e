"""`bagwright page`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common import load_settings, say

if TYPE_CHECKING:
    from monitor.store import Reader

PATIENCE_S = 30.0


def run_page(config: Path, *, port: int | None) -> None:
    from monitor.web.server import serve

    settings = load_settings(config)
    store = Path(settings.store.path)
    wait_for(store)
    serve(lambda: open_reader(store), settings, port=port, ready=lambda address: say(f"page at {address}"))


def open_reader(store: Path) -> Reader:
    from monitor.store import Reader

    return Reader.open(store)


def wait_for(store: Path) -> None:
    """A daemon that starts together with the page makes the store meanwhile."""
    deadline = time.monotonic() + PATIENCE_S
    while not store.exists() and time.monotonic() < deadline:
        time.sleep(0.1)
