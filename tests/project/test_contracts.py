"""Dependencies point inwards, and the contracts that hold this would notice."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import checkout
import pytest

CONTRACTS = {contract["id"]: contract for contract in checkout.settings()["tool"]["importlinter"]["contracts"]}
BREACHES = {
    "words": ("monitor/model.py", "from monitor import engine"),
    "middle": ("monitor/hydraulics/water.py", "from monitor import store"),
    "pure": ("monitor/detectors/__init__.py", "import time"),
    "edges": ("monitor/notify/__init__.py", "from monitor import web"),
    "outermost": ("monitor/store/__init__.py", "from monitor import cli"),
}


def lint(root: Path) -> subprocess.CompletedProcess[str]:
    command = [str(Path(sys.executable).parent / "lint-imports"), "--no-logo", "--no-cache"]
    return subprocess.run(command, cwd=root, capture_output=True, encoding="utf-8", check=False)


def test_imports_keep_their_contracts() -> None:
    done = lint(checkout.ROOT)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("contract", CONTRACTS)
def test_a_breach_of_a_contract_is_noticed(contract: str, tmp_path: Path) -> None:
    shutil.copytree(checkout.ROOT / "monitor", tmp_path / "monitor", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(checkout.ROOT / "pyproject.toml", tmp_path)
    path, line = BREACHES[contract]
    with (tmp_path / path).open("a", encoding="utf-8") as file:
        file.write(f"\n{line}\n")
    done = lint(tmp_path)
    assert done.returncode != 0
    assert f"{CONTRACTS[contract]['name']} BROKEN" in done.stdout


def test_no_package_is_forgotten_by_the_contracts() -> None:
    lists = [key for contract in CONTRACTS.values() for key in contract.values() if isinstance(key, list)]
    named = {name for names in lists for name in names}
    packages = {f"monitor.{path.parent.name}" for path in checkout.ROOT.glob("monitor/*/__init__.py")}
    assert packages - named == set()
