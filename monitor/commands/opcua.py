"""`bagwright opcua`: the OPC UA server over the store of a daemon."""

from __future__ import annotations

import contextlib
import importlib.util
import resource
from pathlib import Path

from monitor.commands.common import load_settings, say, warn
from monitor.commands.page import BESIDE_S, PATIENCE_S, leaver, open_reader, wait_for
from monitor.errors import InputError

MOST_MEMORY = 2 << 30       # bytes; whatever clients do, the machine keeps the rest


def run_opcua(config: Path, *, beside: bool) -> None:
    """beside: started by a daemon, which it does not outlive."""
    if beside:
        from monitor.commands.page_process import end_with_parent, give_way

        end_with_parent()
        give_way()
    settings = load_settings(config)
    if settings.opcua is None:
        raise InputError(f"{config}: has no [opcua]; accepted: [opcua] with [[opcua.user]], see config/intake-1.toml")
    if importlib.util.find_spec("asyncua") is None:
        raise InputError("the OPC UA server needs asyncua; install it with: pip install 'bagwright[plant]'")
    from monitor.opcua.serve import serve

    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_DATA, (MOST_MEMORY, resource.getrlimit(resource.RLIMIT_DATA)[1]))
    store = Path(settings.store.path)
    wait_for(store, BESIDE_S if beside else PATIENCE_S, quiet=beside)
    serve(settings, settings.opcua, lambda: open_reader(store), leaver(store), warn if beside else say)
