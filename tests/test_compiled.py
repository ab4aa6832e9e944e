"""What says that the engine will be compiled must know when it will."""

from __future__ import annotations

import os
import sys
from importlib import import_module
from pathlib import Path
from uuid import uuid4

import pytest

from monitor.compiled import is_kept

SOURCE = '''from monitor.compiled import compiled


@compiled
def twice(x):
    return x + x
'''


def test_kept_means_compiled_at_this_place_from_this_source(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(tmp_path)
    name = f"a{uuid4().hex}"
    source = tmp_path / f"{name}.py"
    source.write_text(SOURCE)
    twice = import_module(name).twice
    assert not is_kept(twice)
    assert twice(2.0) == 4.0 and is_kept(twice)
    newer = source.stat().st_mtime + 60       # installed again
    os.utime(source, (newer, newer))
    assert not is_kept(twice)
    del sys.modules[name]
    # The same source elsewhere is compiled anew.
    other = tmp_path / "other"
    other.mkdir()
    source.rename(other / source.name)
    monkeypatch.syspath_prepend(other)
    assert not is_kept(import_module(name).twice)
