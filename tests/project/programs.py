"""The programs that tests run beside our own: from the PATH, else out of Debian's packages.

Unpacked into a cache, without installing or starting anything and without root. `tests/run`
puts launchers for them on the PATH, so tests look nowhere else.
"""

from __future__ import annotations

import glob
import os
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path

import bootstrap
import debian
import places

PACKAGE = {  # program: the Debian package that brings it
    "mosquitto": "mosquitto",
    "victoria-metrics": "victoria-metrics",
    "influxd": "influxdb",
    "chromium": "chromium",
    "postgres": "postgresql",
}
# Where the package's own script would look outside the folder it was unpacked into, or no script is.
INSIDE = {"chromium": "usr/lib/chromium/chromium", "postgres": "usr/lib/postgresql/*/bin/postgres"}
BESIDE = {"postgres": ("initdb",)}  # programs of the same folder that come with it
# Where daemons are, and an ordinary user's PATH often does not lead.
SYSTEM = ("/usr/local/sbin", "/usr/sbin", "/sbin", *sorted(glob.glob("/usr/lib/postgresql/*/bin"), reverse=True))
# The browser's driver brings a program of its own; it links to a library that a small system may lack.
DRIVER = "lib/python*/site-packages/playwright/driver/node"
DRIVER_LIBRARY = "libatomic1"


def search_path() -> str:
    """The PATH, the folders of daemons, and that of our launchers."""
    return os.pathsep.join([os.environ.get("PATH", os.defpath), *SYSTEM, str(_home() / "bin")])


def fetch_missing() -> dict[str, str]:
    """Bring the programs that are not on `search_path`; returns those that cannot be had, and why."""
    missing = {name: package for name, package in PACKAGE.items() if not shutil.which(name, path=search_path())}
    failures = _unpack(missing)
    for program in missing.keys() - failures.keys():
        inside = [INSIDE[program]] if program in INSIDE else [f"usr/bin/{program}", f"usr/sbin/{program}"]
        found = [path for pattern in inside for path in sorted((_home() / program).glob(pattern))]
        if found:
            for name in (program, *BESIDE.get(program, ())):
                debian.launcher(found[0].with_name(name), _home() / program, _home() / "bin" / name)
        else:
            failures[program] = f"Debian's package {PACKAGE[program]} holds no such program"
    return failures


def driver_node(environment: bootstrap.Environment) -> Path | None:
    """The node that the browser's driver brings."""
    return next(environment.folder.glob(DRIVER), None)


def driver_variables(environment: bootstrap.Environment) -> dict[str, str]:
    """What makes the browser's driver start where it does not by itself; raises SetupError where nothing does."""
    node = driver_node(environment)
    if node is None or _runs(node):
        return {}
    failures = _unpack({DRIVER_LIBRARY: DRIVER_LIBRARY})
    launcher = environment.folder / "bin" / "playwright-node"
    debian.launcher(node, _home() / DRIVER_LIBRARY, launcher)
    if failures or not _runs(launcher):
        reason = failures.get(DRIVER_LIBRARY, "it does not start")
        raise bootstrap.SetupError(f"{node} needs the library of the package {DRIVER_LIBRARY}: {reason}", 2)
    return {"PLAYWRIGHT_NODEJS_PATH": str(launcher)}


def _unpack(wanted: Mapping[str, str]) -> dict[str, str]:
    """Unpack packages into folders under the names given; returns what failed, and why."""
    if not wanted:
        return {}
    _home().mkdir(parents=True, exist_ok=True)
    failures: dict[str, str] = {}
    with bootstrap.only_one(_home()):
        try:
            archive = debian.Archive(_home() / "apt")
        except debian.DebianError as error:
            return dict.fromkeys(wanted, str(error))
        for name, package in wanted.items():
            if not (_home() / name).exists():  # another run may have brought it while we waited
                bootstrap.say(f"fetching {name} out of Debian's package {package}")
                try:
                    archive.unpack(package, _home() / name)
                except (debian.DebianError, OSError) as error:
                    failures[name] = str(error)
        archive.forget()
    return failures


def _home() -> Path:
    return places.cache_folder() / "programs"


def _runs(program: Path) -> bool:
    command = [str(program), "--version"]
    try:
        return subprocess.run(command, capture_output=True, timeout=60, check=False).returncode == 0
    except (OSError, subprocess.TimeoutExpired):
        return False
