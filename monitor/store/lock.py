"""One daemon per store: an operating system lock on a file beside it, released with the process that holds it."""

from __future__ import annotations

import contextlib
import fcntl
import os

from monitor.errors import StoreError


class DaemonLock:
    """Exclusive lock on `PATH.lock`. Raises StoreError naming the process that has it."""

    def __init__(self, path: str) -> None:
        self._file = _open(path)
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(self._file, 32, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(self._file)
            raise StoreError(f"{path}: another daemon has this store (process {holder}). "
                             "Stop it, or name another file under [store] path") from None
        with contextlib.suppress(OSError):  # on a full disk our number is missing, not our lock
            os.ftruncate(self._file, 0)
            os.pwrite(self._file, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Idempotent. The file stays: removing it would race with the next holder."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


def _open(path: str) -> int:
    folder = os.path.dirname(os.path.abspath(path))
    if not os.path.isdir(folder):
        raise StoreError(f"{path}: the folder {folder} does not exist. "
                         "Create it, or name another file under [store] path")
    try:
        return os.open(path + ".lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise StoreError(f"{path}: the folder {folder} cannot be written ({error.strerror}). "
                         "The daemon's user needs write access to it") from None
