"""The steps of `tests/run`, each with its time, and a closing line."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path

import bootstrap
import node_packages
import programs

CODE = ["monitor", "tests", "deploy"]
SCRIPTS = ["deploy/setup", "tests/project/steps.py", "tests/project/programs.py",
           "tests/project/node_packages.py"]
# Many tests wait for something: one worker more than two processors need. In the order of the files: those with few
# tests are the long ones, and would come last.
PYTEST = ["pytest", "-n", "3", "--dist", "loadfile", "--no-loadscope-reorder"]


def main(arguments: list[str]) -> int:
    started = time.monotonic()
    environment = bootstrap.ensure(["dev"])
    variables = {**environment.variables, **_with_programs(environment)}
    failed = [name for name, command in _plan(environment, arguments) if not _passes(name, command, variables)]
    took = f"{time.monotonic() - started:.0f} s"
    print(f"\n{took}: " + (f"FAILED: {', '.join(failed)}" if failed else "everything passed"), flush=True)
    return 1 if failed else 0


def _plan(environment: bootstrap.Environment, arguments: Sequence[str]) -> list[tuple[str, list[str]]]:
    writable = environment.folder.parent == bootstrap.ROOT
    caches = environment.folder.parent / "caches"
    elsewhere = {
        "lint-imports": ["--cache-dir", str(caches / "imports")],
        "pytest": ["-o", f"cache_dir={caches / 'pytest'}"],
    }
    contracts = ["lint-imports", *([] if writable else elsewhere["lint-imports"])]
    tests = [*PYTEST, *([] if writable else elsewhere["pytest"]), *arguments]
    steps = [
        ("lint", ["ruff", "check", *CODE]),
        ("types", ["mypy", "monitor"]),
        ("types of the scripts", ["mypy", *SCRIPTS]),
        ("import contracts", contracts),
        ("tests", tests),
    ]
    chosen = steps[-1:] if arguments else steps
    return [(name, [environment.program(command[0]), *command[1:]]) for name, command in chosen]


def _with_programs(environment: bootstrap.Environment) -> dict[str, str]:
    """The PATH on which tests find the programs they run; in CI it is a fault where one is missing."""
    driver = programs.driver_variables(environment)
    node = driver.get("PLAYWRIGHT_NODEJS_PATH") or programs.driver_node(environment)
    unavailable = programs.fetch_missing() | node_packages.fetch_missing(None if node is None else Path(node))
    for program, why in unavailable.items():
        bootstrap.say(f"NOT AVAILABLE: {program}: {why}")
    if unavailable and os.environ.get("CI"):
        raise bootstrap.SetupError("in CI every program that tests need must be there")
    path = os.pathsep.join([str(environment.folder / "bin"), programs.search_path()])
    return {"PATH": path, **driver}


def _passes(name: str, command: Sequence[str], variables: dict[str, str]) -> bool:
    print(f"\n==== {name}", flush=True)
    started = time.monotonic()
    code = subprocess.run(command, cwd=bootstrap.ROOT, env=variables, stdin=subprocess.DEVNULL, check=False).returncode
    print(f"==== {name}: {'passed' if code == 0 else 'FAILED'} after {time.monotonic() - started:.1f} s", flush=True)
    return code == 0
