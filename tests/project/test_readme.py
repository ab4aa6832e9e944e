"""README's commands are there to be typed."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys

import checkout
import pytest

COMMANDS = checkout.readme_commands()


def test_readme_names_one_command_for_the_demo_and_one_for_the_tests() -> None:
    assert "python3 deploy/start demo" in COMMANDS
    assert "python3 tests/run" in COMMANDS


@pytest.mark.parametrize("command", [c for c in COMMANDS if c.startswith("python3 ") and " -m " not in c])
def test_a_script_named_in_readme_exists_and_can_be_executed(command: str) -> None:
    script = checkout.ROOT / shlex.split(command)[1]
    assert script.is_file()
    assert os.access(script, os.X_OK)
    assert script.read_text(encoding="utf-8").startswith("#!")


@pytest.mark.parametrize("command", sorted({c for c in COMMANDS if "deploy/start " in c or c.startswith("bagwright ")}))
def test_a_command_of_the_program_named_in_readme_has_a_help_page(command: str) -> None:
    words = shlex.split(command, comments=True)
    name = words[2] if words[0] == "python3" else words[1]
    arguments = [sys.executable, "-m", "monitor", name, "--help"]
    done = subprocess.run(arguments, cwd=checkout.ROOT, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 0, done.stderr
    assert name in done.stdout


def test_every_file_that_readme_names_is_there() -> None:
    links = re.findall(r"\]\(([^)#:]+)\)", (checkout.ROOT / "README.md").read_text(encoding="utf-8"))
    ours = re.compile(r"(?:config|replay_data|tests|deploy)/")
    words = [word for command in COMMANDS for word in shlex.split(command, comments=True)]
    named = {*links, *(word for word in words if ours.match(word))}
    assert [name for name in sorted(named) if not (checkout.ROOT / name).exists()] == []
