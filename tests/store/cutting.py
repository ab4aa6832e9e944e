"""A disk that remembers every write, and can say what a power cut would have left of its files.

What was synced is there. Of what was written since, any part of 512 bytes may be there or not: writes are reordered
and torn. Files are there from their creation on (SQLite syncs folders itself, which this disk cannot see).
"""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any, NamedTuple

import apsw

SECTOR = 512
GONE = -1


class Change(NamedTuple):
    """What was done to a file: data written at a place, cut to a size (data None), or synced (place None).

    Cut to GONE: deleted, which lasts at once.
    """

    file: str
    place: int | None
    data: bytes | None


class Disk(apsw.VFS):
    """Registered with SQLite under `name`; the files themselves go where the ordinary disk puts them."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.memory: list[Change] = []
        self.on = True
        super().__init__(name, "")

    def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:  # noqa: N802 (SQLite's name)
        return _File(self, name, flags)

    def xDelete(self, filename: str, syncdir: bool) -> None:  # noqa: N802
        super().xDelete(filename, syncdir)
        self.note(filename, GONE, None)

    def note(self, file: str, place: int | None, data: bytes | None) -> None:
        if self.on:
            self.memory.append(Change(file, place, data))

    def stop(self) -> None:
        self.on = False

    def after_cut(self, moment: int, folder: Path, chance: random.Random) -> None:
        """Writes into `folder` what is left of the files when the power goes after `moment` changes."""
        past = self.memory[:moment]
        for file in {change.file for change in past}:
            mine = [change for change in past if change.file == file]
            gone = max((i + 1 for i, change in enumerate(mine) if change.place == GONE), default=0)
            mine = mine[gone:]
            if not mine:
                continue
            synced = max((i + 1 for i, change in enumerate(mine) if change.place is None), default=0)
            content = bytearray()
            for change in mine[:synced]:
                _apply(content, change)
            for change in mine[synced:]:
                for part in _torn(change):
                    if chance.random() < 0.5:
                        _apply(content, part)
            (folder / Path(file).name).write_bytes(content)


def _torn(change: Change) -> list[Change]:
    if change.data is None or change.place is None:
        return [change]
    parts = range(0, len(change.data), SECTOR)
    return [Change(change.file, change.place + i, change.data[i:i + SECTOR]) for i in parts]


def _apply(content: bytearray, change: Change) -> None:
    if change.place is None:
        return
    if change.data is None:
        del content[change.place:]
        return
    content.extend(b"\0" * (change.place - len(content)))
    content[change.place:change.place + len(change.data)] = change.data


class _File(apsw.VFSFile):
    def __init__(self, disk: Disk, name: Any, flags: list[int]) -> None:
        super().__init__("", name, flags)
        self._disk = disk
        self._name = name.filename() if isinstance(name, apsw.URIFilename) else str(name)

    def xWrite(self, data: bytes, offset: int) -> None:  # noqa: N802
        super().xWrite(data, offset)
        self._disk.note(self._name, offset, bytes(data))

    def xTruncate(self, newsize: int) -> None:  # noqa: N802
        super().xTruncate(newsize)
        self._disk.note(self._name, newsize, None)

    def xSync(self, flags: int) -> None:  # noqa: N802
        super().xSync(flags)
        self._disk.note(self._name, None, None)
