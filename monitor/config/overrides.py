"""Settings of one skid with some keys changed, as if its file said so: what-if, and what tuning tries.

A key is written as in messages: `alarm.dp-limit.on_delay`, `skid.element.changeout_dp`, `signal.PT-101.max_silence`.
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.kinds import KINDS
from monitor.config.reader import SKID_TABLES, read_documents, settings_from
from monitor.config.wording import nearest, one_of
from monitor.errors import ConfigError, InputError
from monitor.skid import SkidSettings

Changes = Mapping[str, Any]     # key -> value as TOML would hold it
ACCEPTED = "KEY=VALUE, such as alarm.dp-limit.on_delay='20 s' or alarm.surge.limit='1.2 bar'"


class Template:
    """A skid's configuration file, to be read again and again with other values. It can be pickled."""

    def __init__(self, document: Document) -> None:
        data = {name: table for name, table in document.data.items() if name in SKID_TABLES}
        self.document = Document(document.path, data, 0, document.text)

    def settings(self, changes: Changes) -> SkidSettings:
        """ConfigError where the changed file would have a fault."""
        data = copy.deepcopy(self.document.data)
        for key in changes:
            _make_way(data, key)
        for key, value in changes.items():
            _put(data, key, value)
        document = Document(self.document.path, data, 0, self.document.text)
        return settings_from([document], {}, Faults()).skids[0]


def template_of(path: Path, skid_id: str | None = None) -> Template:
    """The file of a skid: of a configuration file, or of a folder of them. ConfigError, InputError."""
    faults = Faults()
    documents = [d for d in read_documents(path, faults) if set(SKID_TABLES) & d.data.keys()]
    faults.raise_if_any()
    named = {_id(d): d for d in documents}
    if skid_id is None and len(documents) == 1:
        return Template(documents[0])
    if skid_id not in named:
        found = "which of several is not said" if skid_id is None else f"no skid {skid_id}"
        raise InputError(f"{path}: {found}; accepted for --skid: {', '.join(map(str, named)) or 'none'}")
    return Template(named[skid_id])


def what_if(template: Template, pairs: Sequence[str]) -> SkidSettings:
    """The skid's settings with each KEY=VALUE of `pairs` in place; InputError that names the pair at fault."""
    template.settings({})       # faults of the file itself are told as such
    changes: dict[str, Any] = {}
    for pair in pairs:
        key, value = parse_change(pair)
        changes[key] = value
    try:
        return template.settings(changes)
    except ConfigError as error:
        told = "; ".join(f"{fault.key.partition(' (')[0]}: found {fault.found}; accepted: {fault.accepted}"
                         for fault in error.faults)
        raise InputError(f"--set: {told}") from None


def parse_change(pair: str) -> tuple[str, Any]:
    """`KEY=VALUE`; the value as TOML has it, or as text where TOML would want quotes."""
    key, sign, text = pair.partition("=")
    key, text = key.strip(), text.strip()
    if not sign or "." not in key or not text:
        raise InputError(f"--set: found {pair}; accepted: {ACCEPTED}")
    try:
        return key, tomllib.loads(f"value = {text}")["value"]
    except (tomllib.TOMLDecodeError, KeyError):
        return key, text


def _make_way(data: dict[str, Any], key: str) -> None:
    """Take out the other name of a limit, as `loss` of `alarm.element-breach.limit`: the two may not differ."""
    table, _, rest = key.partition(".")
    kind, _, name = rest.partition(".")
    names = ("limit", KINDS[kind].limit_is) if table == "alarm" and kind in KINDS else ()
    given = data.get("alarm")
    if name and name in names and isinstance(given, dict) and isinstance(given.get(kind), dict):
        given[kind].pop(names[1 - names.index(name)], None)


def _put(data: dict[str, Any], key: str, value: Any) -> None:
    table, *rest = key.split(".")
    if table not in SKID_TABLES:
        close = nearest(table, SKID_TABLES)
        hint = f" (did you mean {close}?)" if close else ""
        raise InputError(f"--set {key}: found no table {table}{hint}; accepted: {one_of(SKID_TABLES)}")
    here: Any = data.setdefault(table, {})
    if table == "signal":
        here, rest = _signal(here, key, rest)
    for part in rest[:-1]:
        here = here.setdefault(part, {}) if isinstance(here, dict) else None
    if not isinstance(here, dict) or not rest or not all(rest):
        raise InputError(f"--set {key}: no value can stand there; accepted: {ACCEPTED}")
    here[rest[-1]] = value


def _signal(tables: Any, key: str, rest: Sequence[str]) -> tuple[dict[str, Any], list[str]]:
    """The table of the signal whose id begins the rest of a key: an id may have dots in it."""
    name = ".".join(rest)
    known = [t for t in tables if isinstance(t, dict) and isinstance(t.get("id"), str)]
    for signal in sorted(known, key=lambda t: -len(t["id"])):
        if name.startswith(signal["id"] + "."):
            return signal, name.removeprefix(signal["id"] + ".").split(".")
    raise InputError(f"--set {key}: no such signal; accepted: signal.ID.KEY with ID one of "
                     f"{', '.join(t['id'] for t in known)}")


def _id(document: Document) -> Any:
    skid = document.data.get("skid")
    return skid.get("id") if isinstance(skid, dict) else None
