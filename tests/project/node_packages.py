"""npm's packages that tests run beside our own, under the node that the browser's driver brings: the same everywhere.

They lie in the cache beside the programs; a launcher that finds them is put on the PATH.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path

import bootstrap
import places

WANTED = {"node-opcua": "tests/opcua/client"}  # launcher: folder with package.json and package-lock.json
LISTS = ("package.json", "package-lock.json")


def fetch_missing(node: Path | None, wanted: Mapping[str, str] = WANTED) -> dict[str, str]:
    """Bring what the lock files name; returns what cannot be had, and why. node: the program that runs them."""
    if node is None:
        return dict.fromkeys(wanted, "there is no node: the browser's driver is not installed")
    home = places.cache_folder() / "programs"
    home.mkdir(parents=True, exist_ok=True)
    failures = {}
    with bootstrap.only_one(home):
        for name, folder in wanted.items():
            why = _install(bootstrap.ROOT / folder, home / name)
            if why is not None:
                failures[name] = why
                continue
            launcher = home / "bin" / name
            launcher.parent.mkdir(exist_ok=True)
            launcher.write_text(f"#!/bin/sh\nNODE_PATH='{home / name / 'node_modules'}' exec '{node}' \"$@\"\n")
            launcher.chmod(0o755)
    return failures


def _install(lists: Path, place: Path) -> str | None:
    """The packages into `place`, where they are not already; why not."""
    done = place / "complete"
    wished = (lists / "package-lock.json").read_bytes()
    if done.exists() and done.read_bytes() == wished:
        return None
    npm = shutil.which("npm")
    if npm is None:
        return "npm is not installed"
    bootstrap.say(f"fetching {place.name} out of npm's packages")
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    for name in LISTS:
        shutil.copy(lists / name, place)
    command = [npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--loglevel", "error"]
    ran = subprocess.run(command, cwd=place, capture_output=True, encoding="utf-8", errors="replace", check=False)
    if ran.returncode:
        return " ".join(ran.stderr.split())[:300] or f"npm ends with {ran.returncode}"
    done.write_bytes(wished)
    return None
