"""The programs that tests run beside our own: from the PATH, else out of Debian's packages.

Unpacked into a cache, without installing or starting anything and without root. `tests/run`
puts launchers for them on the PATH, so tests look nowhere else.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path

import bootstrap
import debian
import places

PACKAGE = {  # program: the Debian package that brings it
    "mosquitto": "mosquitto",
    "victoria-metrics": "victoria-metrics",
    "influxd": "influxdb",
    "chromium": "chromium",
}
# Where the package's own script would look outside the folder it was unpacked into.
INSIDE = {"chromium": "usr/lib/chromium/chromium"}
SYSTEM = ("/usr/local/sbin", "/usr/sbin", "/sbin")  # where daemons are, and an ordinary user's PATH often does not lead


def search_path() -> str:
    """The PATH, the folders of daemons, and that of our launchers."""
    return os.pathsep.join([os.environ.get("PATH", os.defpath), *SYSTEM, str(_launchers())])


def fetch_missing() -> dict[str, str]:
    """Bring the programs that are not on `search_path`; returns those that cannot be had, and why."""
    missing = [program for program in PACKAGE if not shutil.which(program, path=search_path())]
    if not missing:
        return {}
    folder = _launchers().parent
    folder.mkdir(parents=True, exist_ok=True)
    with bootstrap.only_one(folder):
        return _fetch(missing, folder)


def _fetch(programs: list[str], folder: Path) -> dict[str, str]:
    try:
        archive = debian.Archive(folder / "apt")
    except debian.DebianError as error:
        return dict.fromkeys(programs, str(error))
    failures: dict[str, str] = {}
    for program in programs:
        if shutil.which(program, path=search_path()):  # another run brought it while we waited
            continue
        bootstrap.say(f"fetching {program} out of Debian's package {PACKAGE[program]}")
        try:
            _bring(program, archive, folder / program)
        except (debian.DebianError, OSError) as error:
            failures[program] = str(error)
    archive.forget()
    return failures


def _bring(program: str, archive: debian.Archive, folder: Path) -> None:
    archive.unpack(PACKAGE[program], folder)
    inside = [INSIDE[program]] if program in INSIDE else [f"usr/bin/{program}", f"usr/sbin/{program}"]
    for path in inside:
        if (folder / path).exists():
            debian.launcher(folder / path, folder, _launchers() / program)
            return
    raise debian.DebianError(f"the package {PACKAGE[program]} holds no {program}")


def _launchers() -> Path:
    with contextlib.suppress(places.NoPlaceError):
        return places.cache_folder() / "programs" / "bin"
    return Path("/nonexistent")
