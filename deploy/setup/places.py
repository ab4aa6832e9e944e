"""Where set-up may write: the environment's folder, the cache, and the variables that follow from them."""

from __future__ import annotations

import contextlib
import hashlib
import os
import pwd
import stat
import tempfile
from pathlib import Path


class NoPlaceError(Exception):
    """No folder can be written."""


def environment_folder(root: Path) -> Path:
    """`.venv` in the checkout where that is ours to write, else a folder of this checkout's own in the cache."""
    inside = root / ".venv"
    if _is_ours(root) and (not inside.exists() or _is_ours(inside)):
        return inside
    mark = hashlib.sha256(str(root).encode()).hexdigest()[:12]
    return cache_folder() / mark / "venv"


def cache_folder() -> Path:
    """For what can be made again: below XDG_CACHE_HOME, ~/.cache, or a folder of our own among temporary files."""
    asked = os.environ.get("XDG_CACHE_HOME", "")
    home = home_folder()
    candidates = [Path(asked) / "bagwright"] if os.path.isabs(asked) else []
    candidates += [home / ".cache" / "bagwright"] if home else []
    candidates += [Path(tempfile.gettempdir()) / f"bagwright-{os.geteuid()}"]
    for candidate in candidates:
        with contextlib.suppress(OSError):
            candidate.mkdir(mode=0o700, parents=True, exist_ok=True)
            if _is_ours(candidate):
                return candidate
    raise NoPlaceError("no folder can be written; set XDG_CACHE_HOME to one that you own")


def home_folder() -> Path | None:
    """The user's home, where there is one and it is his: after sudo HOME may be another's."""
    homes = [os.environ.get("HOME", "")]
    with contextlib.suppress(KeyError):  # a user id without an account, as in containers
        homes.append(pwd.getpwuid(os.geteuid()).pw_dir)
    for home in homes:
        with contextlib.suppress(OSError):
            if os.path.isabs(home) and _is_ours(Path(home)):
                return Path(home)
    return None


def variables_for(folder: Path, root: Path) -> dict[str, str]:
    """What programs of the environment in `folder` run with: its bin first, caches where they can be written."""
    unwanted = {"PYTHONHOME", "PYTHONPATH", "PIP_TARGET", "PIP_PREFIX", "PIP_USER", "PIP_REQUIRE_VIRTUALENV"}
    variables = {name: value for name, value in os.environ.items() if name not in unwanted}
    variables["VIRTUAL_ENV"] = str(folder)
    variables["PATH"] = os.pathsep.join([str(folder / "bin"), os.environ.get("PATH", os.defpath)])
    if home_folder() is None:
        variables["HOME"] = str(folder.parent)
        variables["PIP_NO_CACHE_DIR"] = "1"
    if folder.parent != root:
        caches = folder.parent / "caches"
        variables["PYTHONPYCACHEPREFIX"] = str(caches / "python")
        variables["HYPOTHESIS_STORAGE_DIRECTORY"] = str(caches / "hypothesis")
        for tool in ("MYPY", "RUFF"):
            variables.setdefault(f"{tool}_CACHE_DIR", str(caches / tool.lower()))
    return variables


def _is_ours(folder: Path) -> bool:
    # lstat: among temporary files somebody may have put a link under a name that can be guessed.
    found = folder.lstat()
    return stat.S_ISDIR(found.st_mode) and found.st_uid == os.geteuid() and os.access(folder, os.W_OK)
