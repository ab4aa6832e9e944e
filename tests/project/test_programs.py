"""Programs that tests need: fetched without installing them, and never silently done without."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import checkout
import debian
import node_packages
import programs
import pytest


@pytest.fixture
def apt(tmp_path: Path, stand_in_apt: Callable[[Path], Path], monkeypatch: pytest.MonkeyPatch) -> Path:
    """Stand-ins for Debian's tools, with one package that holds a program; returns the log of their calls."""
    program = tmp_path / "package" / "usr" / "sbin" / "mosquitto"
    program.parent.mkdir(parents=True)
    program.write_text('#!/bin/sh\necho "$LD_LIBRARY_PATH" "$@"\n')
    program.chmod(0o755)
    (tmp_path / "package" / "usr" / "lib" / "x86_64-linux-gnu").mkdir(parents=True)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return stand_in_apt(tmp_path / "package")


def test_a_missing_program_is_unpacked_and_put_on_the_search_path_with_its_libraries(
    apt: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(programs, "PACKAGE", {"mosquitto": "mosquitto"})
    monkeypatch.setattr(programs, "SYSTEM", ())
    assert programs.fetch_missing() == {}
    found = shutil.which("mosquitto", path=programs.search_path())
    assert found is not None
    said = subprocess.run([found, "-p", "1"], capture_output=True, encoding="utf-8", check=True).stdout
    assert said.endswith("/programs/mosquitto/usr/lib/x86_64-linux-gnu -p 1\n")
    assert "fetching mosquitto" in capfd.readouterr().err
    calls = apt.read_text()
    assert programs.fetch_missing() == {}
    assert apt.read_text() == calls, "the second time nothing is fetched"


def test_apt_is_told_to_keep_its_state_in_our_folder_and_to_install_nothing(apt: Path, tmp_path: Path) -> None:
    debian.Archive(tmp_path / "apt").unpack("mosquitto", tmp_path / "unpacked")
    update, install = apt.read_text().splitlines()
    for call in (update, install):
        assert f"Dir::State::lists={tmp_path}/apt/lists" in call
        assert f"Dir::Cache={tmp_path}/apt" in call
    assert "--download-only" in install


def test_a_package_that_cannot_be_had_is_reported_with_the_reason(
    apt: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(programs, "PACKAGE", {"no-such-program": "no-such-package"})
    (why,) = programs.fetch_missing().values()
    assert "Unable to locate package no-such-package" in why
    assert capfd.readouterr().err.count("no-such-program") == 1


def test_without_apt_the_reason_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(debian.DebianError, match="no apt-get"):
        debian.Archive(tmp_path)


def test_without_npm_or_node_its_packages_are_reported_with_the_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    assert node_packages.fetch_missing(Path(sys.executable)) == {"node-opcua": "npm is not installed"}
    assert "there is no node" in node_packages.fetch_missing(None)["node-opcua"]


def suite(tmp_path: Path, **variables: str) -> str:
    """What pytest says of a suite whose one test needs a program that nobody has."""
    shutil.copy(checkout.ROOT / "tests" / "conftest.py", tmp_path)
    lines = ["import pytest", "", "", '@pytest.mark.needs("no-such-program")', "def test_it():", "    pass"]
    (tmp_path / "test_it.py").write_text("\n".join(lines))
    environment = {name: value for name, value in os.environ.items() if name != "CI"}
    paths = [str(checkout.ROOT), str(checkout.ROOT / "tests")]
    environment |= {"PYTHONPATH": os.pathsep.join(paths), **variables}
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-o", "markers=needs(name): a program"]
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, encoding="utf-8", check=False)
    return done.stdout


def test_what_was_not_run_is_counted_loudly_with_the_reason(tmp_path: Path) -> None:
    said = suite(tmp_path)
    assert "1 TESTS NOT RUN" in said
    assert "missing: no-such-program" in said
    assert "1 skipped" in said


def test_in_ci_a_missing_program_is_a_failure(tmp_path: Path) -> None:
    said = suite(tmp_path, CI="true")
    assert "no-such-program is missing, and in CI everything must run" in said
    assert "1 failed" in said or "1 error" in said
