"""Configuration: TOML files to `monitor.settings.Settings`, every fault told at once.

    units, unit_tables     quantities with units to SI and back
    documents, positions   files to parsed TOML with the line of each key
    readers, tables        one value, one table: what is accepted
    kinds                  the kinds of alarm and their defaults
    skids, signals, shared what one file says: reading and checking across keys
    build, reader          the frozen settings; `load`
    summary, advice        what `check` prints: `describe`, `warnings`

The functions here import their modules when called: units are used where configuration is not read.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from monitor.config.kinds import KINDS, defaults_for
from monitor.settings import Settings

__all__ = ["KINDS", "defaults_for", "describe", "load", "warnings"]


def load(path: Path | str, environ: Mapping[str, str] | None = None) -> Settings:
    """The settings in a configuration file, or in every `*.toml` of a folder.

    environ: where `*_env` keys look, by default the process's environment. Raises ConfigError with every
    fault: file, key and line, what was found, what is accepted. Relative paths in a file are taken from
    that file's folder.
    """
    from monitor.config.reader import load_settings

    return load_settings(Path(path), environ)


def describe(settings: Settings) -> str:
    """A summary for people: skids, vessels, signals with their ranges, limits."""
    from monitor.config.summary import describe as _describe

    return _describe(settings)


def warnings(settings: Settings) -> list[str]:
    """What is accepted but deserves a second look, one sentence each."""
    from monitor.config.advice import warnings as _warnings

    return _warnings(settings)
