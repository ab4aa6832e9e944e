"""The real command in a process of its own, what a sentence for a person looks like, and a disk that is soon full."""

from __future__ import annotations

import contextlib
import os
import resource
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from services import eventually

from tests.live.daemon import Publisher

ROOT = Path(__file__).parents[2]
JARGON = ("Traceback", "Error:", "Errno", "Exception", "NoneType", "unexpected fault", "object at 0x")

SKID = """\
[skid]
id = "intake-1"
name = "River intake"
vessels = ["east", "west"]
[skid.element]
changeout_dp = "1.0 bar"
max_dp = "2.4 bar"
[skid.reference]
flow = "40 m^3/h"
temperature = "15 degC"
[[signal]]
id = "PT-101"
role = "inlet-pressure"
topic = "hatchery/PT-101"
unit = "bar"
range = [0.0, 10.0]
[[signal]]
id = "PT-102"
role = "outlet-pressure"
topic = "hatchery/PT-102"
unit = "bar"
range = [0.0, 10.0]
[[signal]]
id = "FT-101"
role = "flow"
topic = "hatchery/FT-101"
unit = "m^3/h"
range = [0.0, 60.0]
"""
HEADER = "time,PT-101,PT-102,FT-101\n"


class Done(NamedTuple):
    code: int
    out: str
    err: str


def environment(**more: str) -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(ROOT)} | more


def _word(word: object) -> str | bytes:
    return word if isinstance(word, bytes) else str(word)


def bagwright(*words: object, cwd: Path, timeout: float = 200.0, env: dict[str, str] | None = None, **how: Any) -> Done:
    """Types a command."""
    done = subprocess.run(
        [sys.executable, "-m", "monitor", *map(_word, words)], cwd=cwd, env=env or environment(), capture_output=True,
        encoding="utf-8", timeout=timeout, check=False, **how,
    )  # fmt: skip
    return Done(done.returncode, done.stdout, done.stderr)


def assert_for_people(done: Done) -> None:
    """Nothing of the program's inside reaches a person."""
    said = done.out + done.err
    assert [word for word in JARGON if word in said] == [], said


def skid(folder: Path, more: str = "", name: str = "skid.toml") -> Path:
    path = folder / name
    path.write_text(SKID + more, encoding="utf-8")
    return path


def minutes(count: int, start: int = 0) -> str:
    """Lines of a wide recording, one a second: both pressures and the flow."""
    lines = []
    for i in range(start, start + 60 * count):
        clock = f"2025-03-01T{8 + i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d}Z"
        lines.append(f"{clock},{3 + i % 7 / 1000:.3f},{2.8 + i % 5 / 1000:.3f},{40 + i % 3 / 10:.1f}\n")
    return "".join(lines)


class Running:
    """A command that goes on, its two streams in files; killed at the end if it is still there."""

    def __init__(
        self, *words: object, cwd: Path, env: dict[str, str] | None = None, name: str = "run", **how: Any
    ) -> None:
        self.out_file, self.err_file = cwd / f"{name}.out", cwd / f"{name}.err"
        with self.out_file.open("ab") as out, self.err_file.open("ab") as err:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "monitor", *map(str, words)], cwd=cwd, env=env or environment(), stdout=out,
                stderr=err, **how,
            )  # fmt: skip

    @property
    def said(self) -> Done:
        code = self.process.poll()
        return Done(-999 if code is None else code, self.out_file.read_text(), self.err_file.read_text())

    def says(self, text: str, timeout: float = 60.0) -> None:
        """Waits until a text was said, on either stream."""
        eventually(lambda: text in self.said.out + self.said.err or self.process.poll() is not None, timeout, text)
        said = self.said
        assert text in said.out + said.err, said

    def ends(self, timeout: float = 30.0) -> Done:
        self.process.wait(timeout)
        return self.said

    def stop(self, timeout: float = 30.0) -> Done:
        self.process.send_signal(signal.SIGTERM)
        return self.ends(timeout)

    def __enter__(self) -> Running:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()


def publish(port: int, messages: list[tuple[str, bytes]], user: tuple[str, str] | None = None) -> None:
    """Hands messages to a broker, and returns once it has confirmed them all."""
    publisher = Publisher(port, user)
    eventually(publisher.client.is_connected, 15, "publisher connected")
    assert publisher.send(messages, patience=60)
    publisher.close()


class Disk(NamedTuple):
    """folder: on the disk. how: for the process that shall find it full. free: gives space, to that process too."""

    folder: Path
    how: dict[str, Any]
    free: Callable[[int], None]


@contextlib.contextmanager
def small_disk(folder: Path, room: int, size: int = 48 << 20) -> Iterator[Disk]:
    """A disk with `room` bytes left of `size`; where none can be mounted, a limit on the size of each file."""
    place = folder / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
        yield Disk(
            place,
            {"preexec_fn": lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (room, hard))},
            lambda pid: resource.prlimit(pid, resource.RLIMIT_FSIZE, (hard, hard)) and None,
        )
        return
    try:
        ballast = place / "ballast"
        ballast.write_bytes(b"\0" * (size - room))
        yield Disk(place, {}, lambda _: ballast.unlink())
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


@contextlib.contextmanager
def unwritable(folder: Path) -> Iterator[Path]:
    """A folder in which nobody can write: for root, a file system mounted for reading only."""
    place = folder / "locked"
    place.mkdir()
    if os.geteuid() != 0:
        place.chmod(0o555)
        try:
            yield place
        finally:
            place.chmod(0o755)
        return
    mount = ["mount", "-t", "tmpfs", "-o", "ro,size=64k", "tmpfs", str(place)]
    mounted = subprocess.run(mount, capture_output=True, check=False).returncode == 0
    try:
        # Where root may not mount: below /proc nobody can make a file either.
        yield place if mounted else Path("/proc/self")
    finally:
        if mounted:
            subprocess.run(["umount", "-l", str(place)], check=True)
