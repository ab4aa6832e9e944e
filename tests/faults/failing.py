"""A disk that refuses one step, by its number: a write, a sync or a cut of a file."""

from __future__ import annotations

from typing import Any

import apsw


class FailingDisk(apsw.VFS):
    """Registered with SQLite under `name`; the files go where the ordinary disk puts them. `fault` is raised at step
    `at`, counted from `arm` on, and at none after it."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.arm(-1)
        super().__init__(name, "")

    def arm(self, at: int, fault: type[apsw.Error] = apsw.IOError) -> None:
        self.steps, self.at, self.fault = 0, at, fault

    def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:  # noqa: N802 (SQLite's name)
        return _File(self, name, flags)

    def step(self) -> None:
        self.steps += 1
        if self.steps - 1 == self.at:
            raise self.fault("refused by the test's disk")


class _File(apsw.VFSFile):
    def __init__(self, disk: FailingDisk, name: Any, flags: list[int]) -> None:
        super().__init__("", name, flags)
        self._disk = disk

    def xWrite(self, data: bytes, offset: int) -> None:  # noqa: N802
        self._disk.step()
        super().xWrite(data, offset)

    def xTruncate(self, newsize: int) -> None:  # noqa: N802
        self._disk.step()
        super().xTruncate(newsize)

    def xSync(self, flags: int) -> None:  # noqa: N802
        self._disk.step()
        super().xSync(flags)
