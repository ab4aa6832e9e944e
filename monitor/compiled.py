"""One decorator for everything compiled, so that its options and its cache stand in one place.

Scalar arithmetic without fastmath: a restart or another chunking must give the same bits.
`NUMBA_DISABLE_JIT=1` runs the same functions as plain Python.

numba's cache of a function knows that function's file only, not the files of what it calls: after an
upgrade it would run old code. So each state of the sources has a cache folder of its own.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

PACKAGE = Path(__file__).parent
MIDDLE = ("alarms", "conditioning", "detectors", "engine", "forecast", "hydraulics")
OTHERS = ("compiled.py", "model.py", "ingest/decode.py", "ingest/usual.py")     # what compiled code rests on besides
KEPT = 3     # cache folders of earlier states that stay: two checkouts in use at once must not fight


def sources_digest(besides: Sequence[str] = ()) -> str:
    """Changes with every source that compiled code can come from, and with those of the packages `besides`."""
    files = sorted(path for part in (*MIDDLE, *besides) for path in (PACKAGE / part).glob("*.py"))
    digest = hashlib.sha256()
    for path in [*(PACKAGE / name for name in OTHERS), *files]:
        digest.update(path.name.encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:20]


def cache_home() -> Path:
    """Folder for all our compiled code: in the user's cache, else (no home, read-only home) in the temporary folder."""
    wished = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    for base in (Path(wished), Path(tempfile.gettempdir()) / f"cache-{os.getuid()}"):
        home = base / "bagwright" / "compiled"
        try:
            home.mkdir(mode=0o700, parents=True, exist_ok=True)
            status = home.stat()
        except OSError:
            continue
        # Compiled code of another user is never loaded.
        if os.access(home, os.W_OK) and status.st_uid == os.getuid() and not status.st_mode & 0o022:
            return home
    return Path(tempfile.mkdtemp(prefix="bagwright-"))


def choose_cache() -> Path:
    """Point numba at the cache folder of these sources, and drop the oldest of earlier ones."""
    given = os.environ.get("NUMBA_CACHE_DIR")
    home = Path(given) / "bagwright" if given else cache_home()
    folder = home / sources_digest()
    folder.mkdir(parents=True, exist_ok=True)
    others = sorted((p for p in home.iterdir() if p.is_dir() and p != folder), key=lambda p: p.stat().st_mtime)
    for old in others[:-KEPT]:
        shutil.rmtree(old, ignore_errors=True)
    return folder


CACHE = choose_cache()

# numba looks whether scipy has linear algebra for compiled code. None here uses it, and to import it takes a fifth of a
# second of every start.
HIDDEN = "scipy.linalg"
hidden = HIDDEN not in sys.modules
if hidden:
    sys.modules[HIDDEN] = None  # type: ignore[assignment]
try:
    import numba
    import numba.np.arraymath
finally:
    if hidden:
        del sys.modules[HIDDEN]

setattr(numba.config, "CACHE_DIR", str(CACHE))  # noqa: B010 - no attribute that type checkers know
IS_COMPILED = not getattr(numba.config, "DISABLE_JIT")  # noqa: B009 - no attribute that type checkers know
OPTIONS: dict[str, Any] = {"cache": True, "nogil": True, "fastmath": False, "error_model": "numpy"}
# Without numba's run time for references: passing arrays on then counts nothing (a third of the row tier's time),
# and a function that allocates does not compile. Those take `allocating`.
compiled: Callable[[Callable[..., Any]], Callable[..., Any]] = numba.njit(**OPTIONS | {"_nrt": False})
# For what runs every second or reading and takes whole arrays: each costs seven words on the stack at a call.
inlined: Callable[[Callable[..., Any]], Callable[..., Any]] = numba.njit(
    **OPTIONS | {"_nrt": False, "forceinline": True}
)
allocating: Callable[[Callable[..., Any]], Callable[..., Any]] = numba.njit(**OPTIONS)


def records(shape: int | tuple[int, ...], dtype: np.dtype[np.void]) -> npt.NDArray[np.void]:
    """Zeroed records whose fields read as attributes, compiled or not."""
    return np.zeros(shape, np.dtype((np.record, dtype)))


def is_kept(function: Any) -> bool:
    """Whether the cache has `function` compiled for where its source lies now: another copy of the same sources, or the
    same installed again, does not count. A function is kept after all that it calls."""
    if not IS_COMPILED:
        return True
    source = Path(function.py_func.__code__.co_filename)
    indexes = Path(function.stats.cache_path).glob(f"{source.stem}.{function.py_func.__qualname__}-*.nbi")
    return any(index.stat().st_mtime >= source.stat().st_mtime for index in indexes)
