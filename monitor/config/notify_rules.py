"""`[[notify.service]]` and `[[notify.rule]]`: who can be told, and who is told what and when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.alarms.catalogue import CATALOGUE, NO_ALARMS
from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.positions import KeyPath
from monitor.config.secrets import read_secret
from monitor.config.site_tables import NotifyTable, RuleTable, ServiceTable
from monitor.config.tables import read_table, size
from monitor.config.wording import nearest, one_of, shown
from monitor.settings import RuleSettings, Secret, ServiceSettings


def read_services(document: Document, notify: NotifyTable, environ: Mapping[str, str],
                  faults: Faults) -> tuple[ServiceSettings, ...]:  # fmt: skip
    """Every service with its address; ids must differ."""
    found: list[ServiceSettings] = []
    for place in range(size(document, ("notify", "service"), notify.service, faults)):
        path: KeyPath = ("notify", "service", place)
        table = read_table(ServiceTable, document, path, faults)
        address = read_secret(document, path, table, "address", environ, faults)
        if address is None and table.address_env is None and table.address_file is None:
            faults.add(document, (*path, "address_env"), "nothing", "address_env or address_file: an Apprise address")
        _differs(document, path, table.id, [s.id for s in found], faults)
        found.append(ServiceSettings(table.id or "", address or Secret("")))
    return tuple(found)


def read_rules(document: Document, notify: NotifyTable, hooks: Sequence[str | None],
               services: Sequence[ServiceSettings], faults: Faults) -> tuple[RuleSettings, ...]:  # fmt: skip
    """Every rule; its channels must be there."""
    channels = [name for name in (*hooks, *(s.id for s in services)) if name]
    for name in {c for c in channels if channels.count(c) > 1}:
        faults.add(document, ("notify",), f"{shown(name)} as the id of two channels", "another id for each")
    found: list[RuleSettings] = []
    for place in range(size(document, ("notify", "rule"), notify.rule, faults)):
        path: KeyPath = ("notify", "rule", place)
        table = read_table(RuleTable, document, path, faults)
        _differs(document, path, table.id, [r.id for r in found], faults)
        _known(document, (*path, "channels"), table.channels or (), channels, faults)
        _known(document, (*path, "kinds"), table.kinds or (), [*CATALOGUE, *NO_ALARMS], faults)
        found.append(_rule(table))
    return tuple(found)


def _rule(table: RuleTable) -> RuleSettings:
    default = RuleSettings("", ())
    return RuleSettings(
        id=table.id or "", channels=table.channels or (), kinds=table.kinds or (),
        priority=str(table.priority or default.priority), skids=table.skids or (), hours=table.hours or (),
        timezone=table.timezone or default.timezone, after_s=table.after or 0.0, returned=bool(table.returned),
    )  # fmt: skip


def _differs(document: Document, path: KeyPath, name: str | None, others: Sequence[str], faults: Faults) -> None:
    if name is not None and name in others:
        faults.add(document, (*path, "id"), f"{shown(name)} twice", "another id for each")


def _known(document: Document, path: KeyPath, names: Sequence[str], known: Sequence[str], faults: Faults) -> None:
    for name in names:
        if name not in known:
            close = nearest(name, known)
            found = shown(name) + (f" (did you mean {close}?)" if close else "")
            accepted = one_of(known) if known else "ids of [[notify.service]] or [[notify.webhook]]; there are none"
            faults.add(document, path, found, accepted)
