"""Starting and stopping, and what is said where that cannot be."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import httpx
import pytest
from page_plant import Plant

from monitor.errors import RunError, StoreError
from monitor.store import Reader
from monitor.web.security import hostname, is_loopback
from monitor.web.server import create_app, listen, serve


def test_port_in_use_is_explained(plant: Plant) -> None:
    with contextlib.closing(listen("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(RunError, match=rf"cannot listen on 127.0.0.1 port {port}: .*in use; choose another"):
            serve(plant.reader, plant.settings, "127.0.0.1", port)


@pytest.mark.parametrize(("host", "port"), [("192.0.2.1", 8321), ("no.such.host.invalid", 8321), ("127.0.0.1", 70_000)])
def test_address_that_cannot_be_had_is_explained(host: str, port: int) -> None:
    """192.0.2.0/24 is kept for documentation by RFC 5737, .invalid by RFC 2606: neither is ever ours."""
    with pytest.raises(RunError, match="cannot listen"):
        listen(host, port)


def test_store_that_is_not_there_is_told_before_anything_is_served(plant: Plant, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store"):
        create_app(lambda: Reader.open(tmp_path / "none.db"), plant.settings)


def test_served_until_told_to_stop_and_leaves_with_open_streams(plant: Plant, tmp_path: Path) -> None:
    program = ("import sys; from pathlib import Path; from display_samples import hatchery_skid; "
               "from monitor.settings import Settings; from monitor.store import Reader; "
               "from monitor.web.server import serve; "
               "serve(lambda: Reader.open(sys.argv[1]), Settings(skids=(hatchery_skid(),)), port=0, "
               "ready=lambda address: print(address, flush=True))")
    root = Path(__file__).parents[2]
    env = os.environ | {"PYTHONPATH": f"{root}{os.pathsep}{root / 'tests'}"}
    with subprocess.Popen([sys.executable, "-c", program, str(plant.path)], env=env, text=True, stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE) as process:
        try:
            assert process.stdout is not None and process.stderr is not None
            address = process.stdout.readline().strip()
            assert address.startswith("http://127.0.0.1:")
            with httpx.stream("GET", f"{address}live", trust_env=False) as answer:
                next(answer.iter_lines())
                process.send_signal(signal.SIGTERM)
                process.wait(15)
            assert "Traceback" not in process.stderr.read()
        finally:
            process.kill()


@pytest.mark.parametrize(("header", "name", "ours"), [
    ("127.0.0.1:8321", "127.0.0.1", True), ("localhost", "localhost", True), ("[::1]:80", "[::1]", True),
    ("127.0.0.1.example.org", "127.0.0.1.example.org", False), ("", "", False), ("10.1.2.3", "10.1.2.3", False)])
def test_only_names_of_this_machine_are_loopback(header: str, name: str, ours: bool) -> None:
    assert hostname(header) == name
    assert is_loopback(name) is ours


def test_ipv6_loopback_is_served(plant: Plant) -> None:
    addresses = Path("/proc/net/if_inet6")
    if not addresses.exists() or not addresses.read_text():
        with pytest.raises(RunError, match="cannot listen on ::1"):
            listen("::1", 0)
        return
    bound = listen("::1", 0)
    bound.close()
    assert bound.family is socket.AF_INET6
