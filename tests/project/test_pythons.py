"""Finding a Python that is new enough, with whatever Python there is."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
import pythons


def script(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("#!/bin/sh\n" + text)
    path.chmod(0o755)


def test_pythons_that_do_not_run_or_are_another_version_are_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    script(tmp_path / "python3.13", "echo 'python3.13: command not found' >&2; exit 127\n")
    script(tmp_path / "python3.12", "echo 3.9\n")
    script(tmp_path / "python3.11", "echo 3.11\n")
    monkeypatch.setenv("PATH", str(tmp_path))
    assert pythons.find() == str(tmp_path / "python3.11")


def test_without_a_python_that_is_new_enough_it_says_which_package_brings_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(sys, "version_info", (3, 9, 2))
    with pytest.raises(SystemExit) as stopped:
        pythons.use_suitable()
    assert stopped.value.code == 2
    assert "apt-get install python3 python3-venv" in capsys.readouterr().err
