"""`bagwright page`."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.commands.common import load_settings, say, warn

if TYPE_CHECKING:
    from monitor.settings import WebSettings
    from monitor.store import Reader
    from monitor.tuning.casebook import CaseBook

PATIENCE_S, BESIDE_S = 10.0, 300.0      # for a store; for that of the daemon which started us and may be slow
QUIET_S = 2.0


def run_page(config: Path, *, port: int | None, beside: bool = False) -> None:
    """beside: started by a daemon, which it does not outlive."""
    if beside:
        from monitor.commands.page_process import end_with_parent, give_way

        end_with_parent()
        give_way()
    from monitor.web.server import serve

    settings = load_settings(config)
    store = Path(settings.store.path)
    wait_for(store, BESIDE_S if beside else PATIENCE_S, quiet=beside)
    serve(lambda: open_reader(store), settings, port=port, submit=leaver(store), cases=case_book(settings.web),
          ready=lambda address: say(f"page at {address}"))


def case_book(web: WebSettings) -> CaseBook | None:
    """The folder of cases that the page serves, where one is configured."""
    if web.cases is None:
        return None
    from monitor.tuning.casebook import CaseBook

    return CaseBook(Path(web.cases))


def leaver(store: Path) -> Callable[[str | None, str, Any], int]:
    """What leaves a request (skid, action, body) for the daemon in its store."""
    from monitor.store import submit

    return lambda skid, action, body: submit(str(store), skid, action, body, time.time_ns())


def open_reader(store: Path) -> Reader:
    from monitor.store import Reader

    return Reader.open(store)


def wait_for(store: Path, patience_s: float, *, quiet: bool = False) -> None:
    """A daemon that starts together with the page makes the store meanwhile."""
    begun, told = time.monotonic(), quiet
    while not store.exists() and time.monotonic() - begun < patience_s:
        if not told and time.monotonic() - begun > QUIET_S:
            told = True
            warn(f"{store}: there is no store yet; waiting {patience_s:.0f} s for a daemon to make it")
        time.sleep(0.1)
