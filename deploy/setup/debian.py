"""Programs out of Debian's packages without installing them: nothing is started, root is not needed.

apt keeps its lists and downloads in a folder of ours, so neither its locks nor the system's
state are touched. Only what the system lacks is fetched.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from pathlib import Path

FONTS = """\
<?xml version="1.0"?>
<!DOCTYPE fontconfig SYSTEM "urn:fontconfig:fonts.dtd">
<fontconfig>
<dir>{folder}/usr/share/fonts</dir>
<dir>/usr/share/fonts</dir>
<cachedir>{folder}/fontcache</cachedir>
</fontconfig>
"""


class DebianError(Exception):
    """Why a package cannot be had, in one clause."""


class Archive:
    """Debian's packages by way of apt, with its state below `folder`."""

    def __init__(self, folder: Path) -> None:
        if not (shutil.which("apt-get") and shutil.which("dpkg-deb")):
            raise DebianError("no apt-get here to fetch it with")
        self.folder = folder
        self._options = [
            *("-o", f"Dir::State::lists={folder / 'lists'}"),
            *("-o", f"Dir::Cache={folder}"),
            *("-o", "Dir::Cache::archives=archives"),
            *("-o", "Debug::NoLocking=1"),
            # root would hand downloads to a user who cannot enter our folder
            *("-o", "APT::Sandbox::User="),
        ]
        self._fresh = False

    def unpack(self, package: str, folder: Path) -> None:
        """Put the package, with the dependencies that the system lacks, into `folder`, whole or not at all."""
        if not self._fresh:
            (self.folder / "lists" / "partial").mkdir(parents=True, exist_ok=True)
            self._apt("update")
            self._fresh = True
        archives = self.folder / "archives"
        shutil.rmtree(archives, ignore_errors=True)
        (archives / "partial").mkdir(parents=True)
        self._apt("install", "--yes", "--reinstall", "--no-install-recommends", "--download-only", package)
        part = folder.with_name(folder.name + ".part")
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        for archive in sorted(archives.glob("*.deb")):
            _checked(["dpkg-deb", "--extract", str(archive), str(part)], f"{archive.name} cannot be unpacked")
        shutil.rmtree(folder, ignore_errors=True)
        part.rename(folder)
        shutil.rmtree(archives)

    def forget(self) -> None:
        """Remove apt's lists: they are old by the next time."""
        shutil.rmtree(self.folder, ignore_errors=True)
        self._fresh = False

    def _apt(self, *arguments: str) -> None:
        _checked(["apt-get", "--quiet", *self._options, *arguments], f"apt-get {arguments[0]} failed")


def launcher(program: Path, folder: Path, place: Path) -> None:
    """Write a script at `place` that runs a program unpacked below `folder` with libraries and fonts from there."""
    libraries = ":".join(str(path) for path in _library_folders(folder))
    lines = ["#!/bin/sh", f"export LD_LIBRARY_PATH='{libraries}'${{LD_LIBRARY_PATH:+:$LD_LIBRARY_PATH}}"]
    if (folder / "usr/share/fonts").is_dir():  # the system has none of its own
        fonts = folder / "fonts.conf"
        fonts.write_text(FONTS.format(folder=folder), encoding="utf-8")
        lines.append(f"export FONTCONFIG_FILE='{fonts}'")
    lines.append(f"exec '{program}' \"$@\"")
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_text("\n".join(lines) + "\n", encoding="utf-8")
    place.chmod(0o755)


def _library_folders(folder: Path) -> Iterator[Path]:
    # Some packages keep private libraries one folder further down and point there by an absolute path.
    for base in sorted([*folder.glob("usr/lib/*-linux-gnu*"), *folder.glob("lib/*-linux-gnu*")]):
        yield base
        yield from sorted({found.parent for found in base.glob("*/lib*.so*")})


def _checked(command: Sequence[str], words: str) -> None:
    done = subprocess.run(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        env={**os.environ, "LC_ALL": "C", "DEBIAN_FRONTEND": "noninteractive"},
        encoding="utf-8",
        errors="replace",
        check=False,
    )
    if done.returncode:
        errors = [line for line in done.stdout.splitlines() if line.startswith("E:")]
        raise DebianError(f"{words} ({errors[0][2:].strip() if errors else 'apt said no more'})")
