"""Reading TOML files: one, or every `*.toml` of a folder."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from monitor.config.positions import KeyPath, line_numbers
from monitor.config.wording import RefusalError

_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)")
_A_FILE = "a configuration file (TOML), or a folder of them"


@dataclass(frozen=True)
class Document:
    """One file as parsed. `order`: its place among the files, for the order of faults."""

    path: Path
    data: dict[str, Any]
    order: int = 0
    text: str = ""

    @property
    def name(self) -> str:
        return str(self.path)

    @cached_property
    def lines(self) -> dict[KeyPath, int]:
        """Where each key stands; found only when there is a fault to tell."""
        return line_numbers(self.text.replace("\r\n", "\n"))

    @property
    def folder(self) -> Path:
        return self.path.absolute().parent


class UnreadableError(RefusalError):
    """A file that gives no document. `where`: the line and column, or "(file)"."""

    def __init__(self, where: str, found: str, accepted: str) -> None:
        super().__init__(found, accepted)
        self.where = where


def files_of(path: Path) -> list[Path]:
    """The files a path stands for, in the order of their names. Raises UnreadableError."""
    try:
        if not path.is_dir():
            return [path]
        found = sorted(p for p in path.iterdir() if p.suffix == ".toml" and p.is_file())
    except (OSError, ValueError) as error:
        raise UnreadableError("(folder)", _reason(error), _A_FILE) from error
    if not found:
        raise UnreadableError("(folder)", "a folder without a *.toml file", _A_FILE)
    return found


def read_document(path: Path, order: int = 0) -> Document:
    """One file as a Document. Raises UnreadableError: missing, not a file, not UTF-8, not TOML, empty."""
    text = _read_text(path)
    try:
        data = tomllib.loads(text)
    except RecursionError as error:
        raise UnreadableError("(file)", "arrays or tables nested too deeply", "three levels of tables") from error
    except ValueError as error:
        raise _syntax(str(error), text) from error
    if not data:
        raise UnreadableError("(file)", "an empty file", "tables such as [skid] and [[signal]]")
    return Document(path, data, order, text)


def _read_text(path: Path) -> str:
    try:
        if path.exists() and not path.is_file():
            raise UnreadableError("(file)", "something that is no ordinary file", _A_FILE)
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        if isinstance(error, UnreadableError):
            raise
        raise UnreadableError("(file)", _reason(error), _A_FILE) from error
    try:
        return content.decode("utf-8-sig")  # editors on Windows put a byte-order mark first
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise UnreadableError(f"line {line}", f"a byte that is not UTF-8 (0x{content[error.start]:02x})",
                         "text in UTF-8: save the file as UTF-8") from error


def _syntax(message: str, text: str) -> UnreadableError:
    at = _AT.search(message)
    what = _AT.sub("", message) or "invalid TOML"
    if at and at[1]:
        where = f"line {at[1]}, column {at[2]}"
    else:
        where = f"line {text.count(chr(10)) + 1}, the end" if at else "(file)"
    hint = ", with text in quotes" if "value" in what.lower() else ""
    found = f"no valid TOML ({what[:1].lower()}{what[1:]})"
    return UnreadableError(where, found, f"TOML 1.0: [table], [[table]], key = value{hint}")


def _reason(error: Exception) -> str:
    if isinstance(error, FileNotFoundError):
        return "no such file or folder"
    if isinstance(error, PermissionError):
        return "a file that may not be read (permission denied)"
    return (getattr(error, "strerror", None) or str(error)).lower()
