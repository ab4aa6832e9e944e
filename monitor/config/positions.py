"""On which line of a TOML file each key stands; `tomllib` does not tell."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

KeyPath = tuple[str | int, ...]

_LONG_STRING = re.compile(r'#[^\n]*|"""(?:[^\\]|\\.)*?"""|\'\'\'.*?\'\'\'|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'', re.DOTALL)
_SHORT_STRING = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'')
_KEY_PART = re.compile(r'\s*("(?:[^"\\]|\\.)*"|\'[^\']*\'|[A-Za-z0-9_-]+)\s*(\.?)')


def line_numbers(text: str) -> dict[KeyPath, int]:
    """Line (from 1) of every table header and key of a valid TOML document, by path.

    Keys inside inline tables are not listed: `line_of` falls back to the table's own line.

    >>> line_numbers("[skid]\\nid = 'a'")
    {('skid',): 1, ('skid', 'id'): 2}
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    prefix: KeyPath = ()
    for number, statement in _statements(text):
        is_header = statement.startswith("[")
        is_array = statement.startswith("[[")
        names = _names(statement.lstrip("[") if is_header else statement)
        if is_header:
            prefix = _resolve(names, counts, is_array)
            lines.setdefault(prefix, number)
        elif names:
            lines.setdefault((*prefix, *names), number)
    return lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Line of a path, or of the nearest table around it; None where nothing is known."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _statements(text: str) -> Iterator[tuple[int, str]]:
    depth = 0
    for number, line in enumerate(_LONG_STRING.sub(_flatten, text).split("\n"), 1):
        if depth == 0 and line.strip():
            yield number, line.strip()
        bare = _SHORT_STRING.sub("", line)
        depth += len(re.findall(r"[\[{]", bare)) - len(re.findall(r"[\]}]", bare))


def _flatten(match: re.Match[str]) -> str:
    """Comments go; a string over several lines leaves only its line breaks."""
    text = match[0]
    if text.startswith(('"""', "'''")):
        return '""' + "\n" * text.count("\n")
    return "" if text.startswith("#") else text


def _names(text: str) -> list[str]:
    names, at = [], 0
    while part := _KEY_PART.match(text, at):
        names.append(_unquoted(part[1]))
        at = part.end()
        if not part[2]:
            break
    return names


def _unquoted(part: str) -> str:
    if part.startswith("'"):
        return part[1:-1]
    if not part.startswith('"'):
        return part
    try:
        return str(json.loads(part))
    except ValueError:
        return part[1:-1]


def _resolve(names: list[str], counts: dict[KeyPath, int], is_array: bool) -> KeyPath:
    path: KeyPath = ()
    for place, name in enumerate(names, 1):
        path = (*path, name)
        if is_array and place == len(names):
            counts[path] = counts.get(path, 0) + 1
        if path in counts:
            path = (*path, counts[path] - 1)
    return path
