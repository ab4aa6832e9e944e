"""Sets up everything a fresh checkout needs, with the standard library alone.

`ensure` makes `.venv` in the checkout (or in a cache folder where the checkout is not ours to
write in), installs what constraints.txt pins, has the row tier compiled ahead and leaves a
stamp. With a matching stamp it touches neither disk nor network.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import debian
import places
import pythons

ROOT = Path(__file__).resolve().parents[2]
CONSTRAINTS = "deploy/constraints.txt"
CURE = "cure: apt-get install python3-venv (or your system's package of that kind), then run this again"
RUNNING = "{}.{}".format(*sys.version_info[:2])
TROUBLE = (
    (r"No space left on device|Disk quota exceeded", "the disk is full: some 2 GB are needed for {place} and /tmp"),
    (
        r"NewConnectionError|NameResolutionError|ConnectTimeout|ReadTimeout|ProxyError|SSLError|Max retries exceeded|"
        r"Connection refused|Network is unreachable|Temporary failure in name resolution",
        "the package index cannot be reached; check network and proxy, then run this again",
    ),
    (r"Permission denied", "{place} cannot be written; set XDG_CACHE_HOME to a folder that you own"),
)


class SetupError(Exception):
    """What stopped the set-up, in a sentence. exit_code 1: a fault on the way, 2: the machine lacks something."""

    def __init__(self, sentence: str, exit_code: int = 1) -> None:
        super().__init__(sentence)
        self.exit_code = exit_code


@dataclass(frozen=True, slots=True)
class Environment:
    """A virtual environment: its folder, and the variables its programs run with."""

    folder: Path
    variables: dict[str, str]

    def program(self, name: str) -> str:
        return str(self.folder / "bin" / name)


def guarded(main: Callable[[list[str]], int]) -> NoReturn:
    """Run a script's main: what stops it ends in one sentence and an exit code, never in a traceback."""
    try:
        code = main(sys.argv[1:])
    except (SetupError, places.NoPlaceError) as error:
        say(str(error))
        code = getattr(error, "exit_code", 2)
    except KeyboardInterrupt:
        say("stopped; run it again to carry on")
        code = 130
    sys.exit(code)


def say(text: str) -> None:
    print("set-up:", text, file=sys.stderr, flush=True)


def ensure(extras: Sequence[str] = (), root: Path = ROOT) -> Environment:
    """The checkout's environment with at least these extras, made or brought up to date where it is not.

    Raises SetupError.
    """
    folder = places.environment_folder(root)
    environment = Environment(folder, places.variables_for(folder, root))
    if _is_ready(folder, root, extras):
        return environment
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with only_one(folder):
            if not _is_ready(folder, root, extras):
                _make(environment, root, extras)
    except OSError as error:
        raise SetupError(_explained(f"{error.filename or folder}: {error.strerror or error}", folder)) from error
    return environment


@contextlib.contextmanager
def only_one(folder: Path) -> Iterator[None]:
    """One process at a time at work in a folder; the kernel lets go of the lock when its holder dies."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            say(f"another set-up is at work in {folder}; waiting for it")
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


# ---- making it -------------------------------------------------------------------------------------


def _make(environment: Environment, root: Path, extras: Sequence[str]) -> None:
    started = time.monotonic()
    folder, stamp = environment.folder, _read_stamp(environment.folder)
    wanted = sorted({*extras, *stamp.get("extras", [])})
    if stamp.get("root") == str(root) and pythons.version_of(environment.program("python")) == stamp.get("python"):
        say(f"bringing {folder} up to date")
        _stamp(folder).unlink()  # interrupted from here on, it starts afresh the next time
    else:
        say(f"making {folder} with Python {RUNNING}")
        _empty(folder)
        _create(environment)
    say(f"installing the packages that {CONSTRAINTS} pins (the first time some 300 MB)")
    target = f"{root}[{','.join(wanted)}]" if wanted else str(root)
    _pip(environment, ["install", "--no-compile", "--constraint", str(root / CONSTRAINTS), "--editable", target])
    say("compiling ahead what meets every reading")
    with _byte_compiling(environment):
        warmed = _run([environment.program("bagwright"), "warm"], environment)
    if warmed.returncode:
        raise SetupError(f"the installed program does not start: {_last_line(warmed.stdout)}")
    _write_stamp(environment, root, wanted)
    say(f"ready after {time.monotonic() - started:.0f} s; from now on it starts without a network")


def _create(environment: Environment) -> None:
    """A virtual environment with pip in it, also where the system packs ensurepip apart."""
    whole = _run([sys.executable, "-I", "-c", "import ensurepip"], environment).returncode == 0
    options = [] if whole else ["--without-pip"]
    made = _run([sys.executable, "-I", "-m", "venv", *options, str(environment.folder)], environment)
    if made.returncode:
        trouble = _explained(made.stdout, environment.folder)
        raise SetupError(f"no virtual environment can be made ({trouble}); {CURE}", 2)
    if not whole:
        _put_pip_in(environment)


def _put_pip_in(environment: Environment) -> None:
    """pip by way of the system's own, else out of Debian's package, unpacked without installing it."""
    inside, host = environment.program("python"), [sys.executable, "-I", "-m", "pip"]
    if _run([*host, "--version"], environment).returncode == 0:
        say("this Python lacks ensurepip: taking pip by way of the system's pip")
        command = [*host, "--python", inside, "install", "--quiet", "pip"]
    else:
        say("this Python lacks ensurepip and pip: taking pip out of Debian's package python3-pip-whl")
        wheel = str(_debian_wheel(environment.folder))
        command = [inside, "-I", f"{wheel}/pip", "install", "--quiet", "--no-index", wheel]
    done = _run(command, environment)
    if done.returncode:
        raise SetupError(f"pip cannot be installed: {_explained(done.stdout, environment.folder)}")


def _debian_wheel(folder: Path) -> Path:
    unpacked = folder / "debian" / "pip"
    try:
        archive = debian.Archive(folder / "debian" / "apt")
        archive.unpack("python3-pip-whl", unpacked)
        archive.forget()
        return max(unpacked.glob("usr/share/python-wheels/pip-*.whl"))
    except (debian.DebianError, ValueError) as error:
        raise SetupError(f"this Python has no pip ({error}); {CURE}", 2) from error


def _pip(environment: Environment, arguments: list[str]) -> None:
    """pip inside the environment: its words go to setup.log, what it is at to the terminal."""
    command = [environment.program("python"), "-I", "-m", "pip", *arguments]
    command += ["--no-input", "--disable-pip-version-check", "--progress-bar", "off"]
    log = environment.folder / "setup.log"
    process = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        env=environment.variables,
        encoding="utf-8",
        errors="replace",
    )
    with process, log.open("w", encoding="utf-8") as file, _progress() as show:
        for line in process.stdout or ():
            file.write(line)
            show(line)
    if process.returncode:
        text = log.read_text(encoding="utf-8")
        raise SetupError(f"packages cannot be installed: {_explained(text, log.parent)} (all that pip said: {log})")


@contextlib.contextmanager
def _byte_compiling(environment: Environment) -> Iterator[None]:
    """The packages' byte code, beside something that leaves a processor idle. What does not compile is left as it is,
    as pip leaves it: each program compiles what it lacks."""
    command = [environment.program("python"), "-m", "compileall", "-qq", str(environment.folder / "lib")]
    quiet = subprocess.DEVNULL
    process = subprocess.Popen(
        command, stdin=quiet, stdout=quiet, stderr=quiet, env=environment.variables, cwd=environment.folder
    )
    try:
        yield
    except BaseException:
        process.terminate()
        raise
    finally:
        process.wait()


@contextlib.contextmanager
def _progress() -> Iterator[Callable[[str], None]]:
    """Shows what pip is at on one line of a terminal; silent where nobody watches."""
    watched, width = sys.stderr.isatty(), shutil.get_terminal_size().columns - 1

    def show(line: str) -> None:
        if watched and re.match(r"\s*(Collecting|Downloading|Building|Installing)", line):
            print("\r\033[K  " + line.strip()[: width - 2], end="", file=sys.stderr, flush=True)

    yield show
    if watched:
        print("\r\033[K", end="", file=sys.stderr, flush=True)


def _explained(text: str, place: Path) -> str:
    """A program's trouble in our words where it is a known one, else its own last error."""
    for pattern, sentence in TROUBLE:
        if re.search(pattern, text):
            return sentence.format(place=place)
    errors: list[str] = re.findall(r"(?m)^ERROR: (.+)$", text)
    return errors[-1].strip() if errors else _last_line(text)


# ---- the stamp -------------------------------------------------------------------------------------


def _is_ready(folder: Path, root: Path, extras: Sequence[str]) -> bool:
    stamp = _read_stamp(folder)
    return (
        stamp.get("root") == str(root)
        and stamp.get("wants") == _wants(root)
        and set(extras) <= set(stamp.get("extras", []))
        and pythons.version_of(str(folder / "bin" / "python")) == stamp.get("python")
    )


def _wants(root: Path) -> str:
    """A digest of what the installation depends on, which the settings of linters are not."""
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))
    pins = (root / CONSTRAINTS).read_text(encoding="utf-8")
    wants = [project["build-system"], project["project"], pins]
    return hashlib.sha256(json.dumps(wants, sort_keys=True).encode()).hexdigest()


def _stamp(folder: Path) -> Path:
    return folder / "setup.json"


def _read_stamp(folder: Path) -> dict[str, Any]:
    try:
        stamp = json.loads(_stamp(folder).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) else {}


def _write_stamp(environment: Environment, root: Path, extras: Sequence[str]) -> None:
    python = pythons.version_of(environment.program("python"))
    stamp = {"root": str(root), "python": python, "extras": list(extras), "wants": _wants(root)}
    fresh = environment.folder / "setup.json.new"
    fresh.write_text(json.dumps(stamp), encoding="utf-8")
    fresh.replace(_stamp(environment.folder))


# ---- small things ----------------------------------------------------------------------------------


def _empty(folder: Path) -> None:
    # The folder itself stays: the lock is on it.
    for entry in folder.iterdir():
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry)
        else:
            entry.unlink()


def _run(command: Sequence[str], environment: Environment) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        env=environment.variables,
        cwd=environment.folder,
        encoding="utf-8",
        errors="replace",
        check=False,
    )


def _last_line(text: str) -> str:
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    return lines[-1] if lines else "it said nothing"
