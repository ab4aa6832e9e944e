"""What the project promises of its own files."""

from __future__ import annotations

import ast
import os
import re
import sys
from importlib.metadata import packages_distributions, version

import checkout
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import monitor

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
FOLDERS = {"monitor", "config", "tests", "replay_data", "deploy", ".ci"}
NOT_IMPORTED = {
    "tzdata",  # zoneinfo reads it where the system has no time zones
    "import-linter",
    "mypy",
    "pytest-timeout",
    "pytest-xdist",
    "ruff",
}
HELPERS = {"bootstrap", "checkout", "debian", "monitor", "places", "programs", "pythons", "steps", "tests"}


def requirements(group: str | None = None) -> list[Requirement]:
    project = checkout.settings()["project"]
    return [Requirement(r) for r in (project["optional-dependencies"][group] if group else project["dependencies"])]


def pins() -> dict[str, str]:
    lines = (checkout.ROOT / "deploy" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pairs = [line.split("==") for line in lines if not line.startswith("#")]
    return {canonicalize_name(name): pinned for name, pinned in pairs}


def test_the_top_level_holds_what_was_agreed_and_nothing_else() -> None:
    names = {path.parts[0] for path in checkout.files() if len(path.parts) == 1}
    folders = {path.parts[0] for path in checkout.files() if len(path.parts) > 1}
    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL
    assert folders <= FOLDERS


def test_no_file_names_a_home_or_temporary_folder_of_somebody() -> None:
    personal = re.compile(r"(?<![\w.~}$-])/(?:home|root|Users|tmp|work)/\w+")
    found = [f"{path}: {match[0]}" for path, text in checkout.texts() for match in personal.finditer(text)]
    assert found == []


def test_constraints_pin_exact_versions_and_name_no_index() -> None:
    lines = (checkout.ROOT / "deploy" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if not re.fullmatch(r"#.*|[A-Za-z0-9._-]+==[\w.+!]+", line)] == []


def test_every_dependency_is_pinned_to_a_version_its_bound_allows() -> None:
    for requirement in requirements() + requirements("dev") + requirements("fleet"):
        pinned = pins().get(canonicalize_name(requirement.name))
        assert pinned is not None, f"{requirement.name} has no pin"
        assert requirement.specifier.contains(pinned), f"{requirement} and its pin {pinned}"


def test_what_is_imported_is_declared_and_what_is_declared_is_imported() -> None:
    extras = [r for group in checkout.settings()["project"]["optional-dependencies"] for r in requirements(group)
              if group != "dev"]
    base = {canonicalize_name(r.name) for r in requirements() + extras}
    dev = {canonicalize_name(r.name) for r in requirements("dev")}
    program, tests = distributions("monitor"), distributions("tests")
    assert program - base == set()
    assert base - program - NOT_IMPORTED == set()
    assert tests - base - dev - set(pins()) == set()
    assert dev - tests - program - NOT_IMPORTED == set()


def distributions(folder: str) -> set[str]:
    """What has to be installed for a folder's imports; unknown names stand for themselves."""
    known = packages_distributions()
    foreign = checkout.imports(folder) - set(sys.stdlib_module_names) - HELPERS - local_modules()
    return {canonicalize_name(known.get(name, [name])[0]) for name in foreign}


def local_modules() -> set[str]:
    return {path.stem for path in checkout.files() if path.parts[0] == "tests"} | {
        part for path in checkout.files() if path.parts[0] == "tests" for part in path.parts[:-1]
    }


def test_the_installed_version_is_the_one_in_pyproject() -> None:
    assert monitor.__version__ in {"0+source", checkout.settings()["project"]["version"]}
    if monitor.__version__ != "0+source":
        assert version("bagwright") == monitor.__version__


def test_the_licence_is_mit() -> None:
    text = (checkout.ROOT / "LICENSE").read_text(encoding="utf-8")
    assert text.startswith("MIT License\n\nCopyright (c) 2026 Bagwright contributors\n")
    assert checkout.settings()["project"]["license"] == "MIT"


def test_scripts_can_be_executed_and_read_by_an_old_python() -> None:
    for name in ("deploy/start", "tests/run", "deploy/setup/pythons.py"):
        path = checkout.ROOT / name
        ast.parse(path.read_text(encoding="utf-8"), feature_version=(3, 7))
        assert path.suffix or os.access(path, os.X_OK), f"{name} has no execute bit"
    assert os.access(checkout.ROOT / ".ci" / "run", os.X_OK)


def test_no_test_is_marked_to_be_skipped_or_to_fail() -> None:
    marked = re.compile(r"pytest\.mark\.(?:skip|skipif|xfail)\b")
    assert [path for path, text in checkout.texts() if path.suffix == ".py" and marked.search(text)] == []


def test_every_folder_of_python_files_in_the_package_is_a_package() -> None:
    folders = {path.parent for path in checkout.files() if path.parts[0] == "monitor" and path.suffix == ".py"}
    assert [folder for folder in sorted(folders) if not (checkout.ROOT / folder / "__init__.py").exists()] == []
