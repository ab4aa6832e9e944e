"""What the tests of the project itself look at: its files, its README's commands, its imports."""

from __future__ import annotations

import ast
import re
import subprocess
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


@cache
def settings() -> dict[str, Any]:
    """pyproject.toml."""
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


@cache
def files() -> tuple[Path, ...]:
    """What belongs to the project, relative to its root: what git would commit, else all but caches."""
    command = ["git", "-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    try:
        said = subprocess.run(command, cwd=ROOT, capture_output=True, check=True, encoding="utf-8").stdout
    except (OSError, subprocess.CalledProcessError):  # an unpacked archive, or no git
        return tuple(sorted(_walk()))
    return tuple(sorted(Path(name) for name in set(said.split("\0")) if name and (ROOT / name).is_file()))


def _walk() -> Iterator[Path]:
    for path in ROOT.rglob("*"):
        relative = path.relative_to(ROOT)
        folders = relative.parts[:-1]
        caches = [name for name in folders if name == "__pycache__" or (name.startswith(".") and name != ".ci")]
        if path.is_file() and not caches:
            yield relative


def texts() -> Iterator[tuple[Path, str]]:
    """The project's text files with what is in them."""
    for path in files():
        try:
            yield path, (ROOT / path).read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue


def readme_commands() -> list[str]:
    """The lines of README's fenced blocks that somebody would type."""
    blocks = re.findall(
        r"(?ms)^```(?:sh|console|bash|shell)?\n(.*?)^```", (ROOT / "README.md").read_text(encoding="utf-8")
    )
    whole = [block.replace("\\\n", " ") for block in blocks]
    lines = [line.strip().removeprefix("$ ") for block in whole for line in block.splitlines()]
    return [line for line in lines if re.match(r"(python3|bagwright|pip|git)\s", line)]


def imports(folder: str) -> set[str]:
    """Top-level names of the packages imported anywhere in a folder's Python files, also inside functions."""
    found: set[str] = set()
    for path in files():
        if path.parts[0] == folder and path.suffix == ".py":
            for node in ast.walk(ast.parse((ROOT / path).read_text(encoding="utf-8"))):
                if isinstance(node, ast.Import):
                    found |= {alias.name.partition(".")[0] for alias in node.names}
                elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                    found.add(node.module.partition(".")[0])
    return found
