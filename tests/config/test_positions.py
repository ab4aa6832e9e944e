"""Lines of keys, found beside what tomllib parses."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from monitor.config.positions import line_numbers, line_of

AWKWARD = '''\
# [not.a.table]
top = 1
[skid]   # a comment with [brackets]
"quoted key" = "a # no comment ["
a.'b c'.d = 2
text = """
[signal]
fake = 1
"""
many = [
  "x]", # ]
  [1, 2],
]
raw = \'\'\'
[[fake]]
\'\'\'
after = {p = 1, q = "]"}

[[signal]]
id = "one"
[signal.payload]
format = "json"
[[signal]]
id = "two"
range = [0,
  1]
last = true
'''


def test_awkward_toml_keeps_its_lines() -> None:
    assert tomllib.loads(AWKWARD)
    lines = line_numbers(AWKWARD)
    assert lines[("top",)] == 2 and lines[("skid",)] == 3 and lines["skid", "quoted key"] == 4
    assert lines["skid", "a", "b c", "d"] == 5 and lines["skid", "many"] == 10 and lines["skid", "after"] == 17
    assert lines["signal", 0] == 19 and lines["signal", 0, "payload", "format"] == 22
    assert lines["signal", 1, "id"] == 24 and lines["signal", 1, "last"] == 27
    assert not any("fake" in path or "not" in path for path in lines)


def test_a_missing_key_is_at_its_table() -> None:
    lines = line_numbers(AWKWARD)
    assert line_of(lines, ("signal", 1, "topic")) == 23
    assert line_of(lines, ("skid", "after", "p")) == 17
    assert line_of(lines, ("broker",)) is None


def test_every_key_of_the_example_has_the_line_that_names_it() -> None:
    text = (Path(__file__).parents[2] / "config" / "intake-1.toml").read_text()
    lines, rows = line_numbers(text), text.splitlines()

    def walk(value: Any, path: tuple[str | int, ...]) -> int:
        inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        seen = 0
        for key, item in inner:
            here = (*path, key)
            if isinstance(key, str) and not isinstance(item, (dict, list)):
                assert rows[lines[here] - 1].startswith(f"{key} =")
                seen += 1
            seen += walk(item, here)
        return seen

    assert walk(tomllib.loads(text), ()) > 50
