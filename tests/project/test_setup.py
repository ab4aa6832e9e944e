"""The set-up of a fresh checkout, on a small stand-in for the project: real environments, real pip, no network."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import sysconfig
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import bootstrap
import checkout
import pytest

pytestmark = pytest.mark.needs("ensurepip")

PYPROJECT = """\
[build-system]
requires = []
build-backend = "backend"
backend-path = ["."]

[project]
name = "bagwright"
version = "1"
optional-dependencies = { dev = [] }

[tool.any]
setting = 1
"""
# As small as a build backend can be: an editable wheel with one command.
BACKEND = """\
import zipfile
from pathlib import Path

REQUIRES = ""


def build_editable(folder, settings=None, metadata=None):
    name = "bagwright-1-py3-none-any.whl"
    files = {
        "tiny.pth": str(Path.cwd()),
        "bagwright-1.dist-info/METADATA": "Metadata-Version: 2.1\\nName: bagwright\\nVersion: 1\\n"
        "Provides-Extra: dev\\n" + REQUIRES,
        "bagwright-1.dist-info/WHEEL": "Wheel-Version: 1.0\\nRoot-Is-Purelib: true\\nTag: py3-none-any\\n",
        "bagwright-1.dist-info/entry_points.txt": "[console_scripts]\\nbagwright = tiny:main\\n",
    }
    with zipfile.ZipFile(Path(folder, name), "w") as wheel:
        for path, text in files.items():
            wheel.writestr(path, text)
        wheel.writestr("bagwright-1.dist-info/RECORD", "".join(f"{path},,\\n" for path in files))
    return name
"""
TINY = "import sys\n\n\ndef main():\n    print('tiny', *sys.argv[1:])\n"
STAMP = "setup.json"


def make_checkout(root: Path) -> Path:
    """A checkout with our set-up and, for the program, one that only repeats its arguments."""
    setup = root / "deploy" / "setup"
    shutil.copytree(checkout.ROOT / "deploy" / "setup", setup, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(checkout.ROOT / "deploy" / "start", root / "deploy")
    (root / "deploy" / "constraints.txt").write_text("# nothing\n")
    (root / "pyproject.toml").write_text(PYPROJECT)
    (root / "backend.py").write_text(BACKEND)
    (root / "tiny.py").write_text(TINY)
    return root


def start(root: Path, *arguments: str, **variables: str) -> subprocess.CompletedProcess[str]:
    """Type `python3 deploy/start ARGUMENTS` where no package index answers."""
    unwanted = ("HOME", "XDG_CACHE_HOME", "PYTHONPATH", "VIRTUAL_ENV")
    environment = {name: value for name, value in os.environ.items() if name not in unwanted}
    environment |= {"PIP_INDEX_URL": "http://127.0.0.1:9/simple", "PIP_RETRIES": "1", "PIP_CONFIG_FILE": os.devnull}
    return subprocess.run(
        [sys.executable, str(root / "deploy" / "start"), *arguments],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        env=environment | variables,
        check=False,
    )


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A checkout (with a blank in its path) that was started once; tests leave it as they found it."""
    folder = tmp_path_factory.mktemp("ready")
    root = make_checkout(folder / "a checkout")
    home = folder / "home"
    home.mkdir()
    done = start(root, "demo", "--speed", "60", HOME=str(home))
    assert (done.returncode, done.stdout) == (0, "tiny demo --speed 60\n"), done.stderr
    assert "ready after" in done.stderr
    return root


def test_a_second_start_says_nothing_and_writes_nothing(ready: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in ready.rglob("*")}
    done = start(ready, "status")
    assert (done.returncode, done.stdout, done.stderr) == (0, "tiny status\n", "")
    assert {path: path.stat().st_mtime_ns for path in ready.rglob("*")} == before


def test_other_settings_in_pyproject_cause_no_new_installation(ready: Path) -> None:
    text = (ready / "pyproject.toml").read_text()
    (ready / "pyproject.toml").write_text(text.replace("setting = 1", "setting = 2"))
    assert start(ready, "status").stderr == ""


def test_changed_pins_bring_the_environment_up_to_date_without_making_it_anew(ready: Path) -> None:
    kept = ready / ".venv" / "kept"
    kept.touch()
    (ready / "deploy" / "constraints.txt").write_text("# changed\n")
    done = start(ready, "status")
    assert done.returncode == 0, done.stderr
    assert "up to date" in done.stderr
    assert kept.exists()
    assert start(ready, "status").stderr == ""


def test_a_set_up_that_was_interrupted_starts_afresh(ready: Path) -> None:
    (ready / ".venv" / STAMP).unlink()
    leftover = ready / ".venv" / "half-written"
    leftover.touch()
    done = start(ready, "status")
    assert (done.returncode, done.stdout) == (0, "tiny status\n"), done.stderr
    assert not leftover.exists()


def test_an_environment_copied_from_elsewhere_is_not_trusted(ready: Path, tmp_path: Path) -> None:
    root = tmp_path / "copy"
    shutil.copytree(ready, root, symlinks=True)
    done = start(root, "status")
    assert "making" in done.stderr
    assert json.loads((root / ".venv" / STAMP).read_text())["root"] == str(root)


def test_two_started_at_once_make_one_environment(tmp_path: Path) -> None:
    root = make_checkout(tmp_path / "checkout")
    with ThreadPoolExecutor(2) as pool:
        first, second = pool.map(lambda word: start(root, word), ["one", "two"])
    assert (first.stdout, second.stdout) == ("tiny one\n", "tiny two\n")
    assert (first.stderr + second.stderr).count("making") == 1
    assert (first.stderr + second.stderr).count("waiting for it") == 1


def test_a_checkout_that_is_not_ours_is_left_untouched(tmp_path: Path) -> None:
    root = make_checkout(tmp_path / "checkout")
    if os.geteuid() == 0:
        os.chown(root, 12345, -1)
    else:
        root.chmod(0o555)
    before = sorted(root.rglob("*"))
    done = start(root, "status", XDG_CACHE_HOME=str(tmp_path / "cache"))
    root.chmod(0o755)
    assert (done.returncode, done.stdout) == (0, "tiny status\n"), done.stderr
    assert sorted(root.rglob("*")) == before
    assert list((tmp_path / "cache" / "bagwright").glob("*/venv/" + STAMP))


def test_an_index_that_does_not_answer_ends_in_one_sentence(tmp_path: Path) -> None:
    root = make_checkout(tmp_path / "checkout")
    wanting = BACKEND.replace('REQUIRES = ""', 'REQUIRES = "Requires-Dist: bagwright-wants-this\\n"')
    (root / "backend.py").write_text(wanting)
    done = start(root, "status")
    assert (done.returncode, done.stdout) == (1, "")
    assert "the package index cannot be reached; check network and proxy" in done.stderr.splitlines()[-1]
    assert "Traceback" not in done.stderr
    log = done.stderr.rpartition("all that pip said: ")[2].strip().removesuffix(")")
    assert "bagwright-wants-this" in Path(log).read_text()


def test_a_program_that_does_not_start_is_no_finished_set_up(tmp_path: Path) -> None:
    root = make_checkout(tmp_path / "checkout")
    (root / "tiny.py").write_text("def main():\n    raise SystemExit('cannot start: broken')\n")
    done = start(root, "status")
    assert done.returncode == 1
    assert done.stderr.splitlines()[-1] == "set-up: the installed program does not start: cannot start: broken"
    assert not (root / ".venv" / STAMP).exists()


def python_without(tmp_path: Path, *patterns: str) -> str:
    """A Python that fails where its arguments match one of the shell's patterns."""
    path = tmp_path / "python3"
    path.write_text(f'#!/bin/sh\ncase "$*" in {"|".join(patterns)}) exit 1 ;; esac\nexec \'{sys.executable}\' "$@"\n')
    path.chmod(0o755)
    return str(path)


def bundled_wheel() -> Path:
    """The wheel of pip that ensurepip would install; distributions keep it in a folder of their own."""
    folders = [Path(sysconfig.get_path("stdlib"), "ensurepip", "_bundled")]
    folders += [Path(folder) for folder in [sysconfig.get_config_var("WHEEL_PKG_DIR")] if folder]
    return next(wheel for folder in folders for wheel in sorted(folder.glob("pip-*.whl")))


def version_of_pip_in(environment: bootstrap.Environment) -> str:
    command = [environment.program("python"), "-I", "-m", "pip", "--version"]
    return subprocess.run(command, capture_output=True, encoding="utf-8", check=True).stdout.split()[1]


def test_without_ensurepip_pip_comes_by_way_of_the_systems_pip(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wheel = bundled_wheel()
    variables = {**os.environ, "PIP_NO_INDEX": "1", "PIP_FIND_LINKS": str(wheel.parent), "PIP_CONFIG_FILE": os.devnull}
    environment = bootstrap.Environment(tmp_path / "venv", variables)
    environment.folder.mkdir()
    monkeypatch.setattr(sys, "executable", python_without(tmp_path, "*'import ensurepip'*"))
    bootstrap._create(environment)
    assert version_of_pip_in(environment) == wheel.name.split("-")[1]


def test_without_ensurepip_and_pip_it_comes_out_of_debians_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stand_in_apt: Callable[[Path], Path]
) -> None:
    wheel = bundled_wheel()
    (tmp_path / "package" / "usr" / "share" / "python-wheels").mkdir(parents=True)
    shutil.copy(wheel, tmp_path / "package" / "usr" / "share" / "python-wheels")
    log = stand_in_apt(tmp_path / "package")
    environment = bootstrap.Environment(tmp_path / "venv", {**os.environ, "PIP_CONFIG_FILE": os.devnull})
    environment.folder.mkdir()
    monkeypatch.setattr(sys, "executable", python_without(tmp_path, "*'import ensurepip'*", "'-I -m pip'*"))
    bootstrap._create(environment)
    assert version_of_pip_in(environment) == wheel.name.split("-")[1]
    assert "python3-pip-whl" in log.read_text()


def test_without_any_pip_the_cure_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    environment = bootstrap.Environment(tmp_path / "venv", dict(os.environ))
    environment.folder.mkdir()
    python = python_without(tmp_path, "*'import ensurepip'*", "'-I -m pip'*")
    monkeypatch.setattr(sys, "executable", python)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(bootstrap.SetupError, match="cure: apt-get install python3-venv") as stopped:
        bootstrap._create(environment)
    assert stopped.value.exit_code == 2
