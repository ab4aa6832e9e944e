"""What is typed wrongly is told as everything else is: a sentence, what is accepted, exit code 2."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from commands.helpers import HEADER, assert_for_people, bagwright, environment, minutes, skid

from monitor import __version__
from monitor.cli import cli

# what is typed, what the sentence says
WRONG = [
    ("replai", ["no such command: replai (did you mean replay", "`bagwright --help`"]),
    ("--nonsense", ["no such option: --nonsense", "`bagwright --help`"]),
    ("replay", ["replay: RECORDINGS... is missing", "`bagwright replay --help`"]),
    ("replay a.csv --config c.toml", ["replay: --out is missing", "`bagwright replay --help`"]),
    ("replay a.csv --config c.toml --oot x", ["replay: no such option: --oot (did you mean --out or --set?)"]),
    ("replay a.csv --config c.toml --out", ["option '--out' requires an argument"]),
    ("check a b", ["check: got unexpected extra argument (b)"]),
    ("demo --speed fast", ["demo: --speed: found fast; accepted: a number from 1 to 1000"]),
    ("demo --speed 0", ["demo: --speed: found 0; accepted: a number from 1 to 1000"]),
    ("demo --port 99999", ["demo: --port: found 99999; accepted: a whole number from 0 to 65535"]),
    ("demo --for nan", ["demo: --for: found nan; accepted: a number, at least 1"]),
    ("simulate decoys --seed 1.5", ["simulate: --seed: found 1.5; accepted: a whole number, at least 0"]),
    ("simulate decoys --days 0", ["simulate: --days: found 0; accepted: a number above 0"]),
    ("simulate decoys --days 1e999", ["simulate: --days: found 1e999"]),
    ("simulate decoys", ["simulate writes into a folder: give --out DIR"]),
]


@pytest.mark.parametrize(("typed", "words"), WRONG)
def test_a_slip_of_the_keyboard_is_a_sentence_and_exit_code_2(tmp_path: Path, typed: str, words: list[str]) -> None:
    done = bagwright(*typed.split(), cwd=tmp_path)
    assert_for_people(done)
    assert done.code == 2 and done.out == "" and done.err.startswith("bagwright: ") and done.err.count("\n") == 1
    assert [word for word in words if word not in done.err] == [], done.err


def test_without_a_command_the_help_is_shown(tmp_path: Path) -> None:
    done = bagwright(cwd=tmp_path)
    assert_for_people(done)
    assert done.code == 2 and "Usage: bagwright" in done.err and "replay" in done.err


def test_every_command_has_a_line_in_the_help_that_is_not_cut_off() -> None:
    shown = CliRunner().invoke(cli, ["--help"], prog_name="bagwright", terminal_width=80)
    assert shown.exit_code == 0 and "...\n" not in shown.output.partition("Commands:")[2]
    for name, command in cli.commands.items():
        assert command.hidden or f"\n  {name} " in shown.output


def test_help_and_version_end_with_0(tmp_path: Path) -> None:
    for words in (["--help"], ["replay", "-h"], ["--version"]):
        done = bagwright(*words, cwd=tmp_path)
        assert done.code == 0 and done.err == "" and ("Usage: bagwright" in done.out or __version__ in done.out)


def test_a_reader_who_goes_away_early_is_no_fault(tmp_path: Path) -> None:
    """`bagwright check ... | true`: nobody is left to tell."""
    config = skid(tmp_path)
    read, write = os.pipe()
    os.close(read)
    process = subprocess.Popen([sys.executable, "-m", "monitor", "check", str(config)], stdout=write,
                               stderr=subprocess.PIPE, env=environment())
    os.close(write)
    assert process.communicate(timeout=60)[1] == b"" and process.returncode == 1


def test_a_terminal_that_knows_only_ascii_is_no_fault(tmp_path: Path) -> None:
    config = skid(tmp_path)
    config.write_text(config.read_text().replace("River intake", "Klekkeriets inntak på nes"), encoding="utf-8")
    (tmp_path / "målt.csv").write_text(HEADER + minutes(1))
    env = environment(PYTHONIOENCODING="ascii", PYTHONUTF8="0", LC_ALL="C")
    done = bagwright("check", config.name, cwd=tmp_path, env=env)
    assert done.code == 0 and "p\\xe5 nes" in done.out
    done = bagwright("replay", "målt.csv", "--config", config.name, "--out", "året", cwd=tmp_path, env=env)
    assert_for_people(done)
    assert done.code == 0, done
