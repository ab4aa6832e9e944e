"""`load`: from a path to settings, with every fault of every file told at once."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from monitor.alarms.catalogue import MONITOR
from monitor.config.build import skid_settings
from monitor.config.documents import Document, UnreadableError, files_of, read_document
from monitor.config.faults import Faults
from monitor.config.opcua import read_opcua
from monitor.config.shared import SHARED, find_shared, read_broker, read_command, read_fleet, read_notify, read_store
from monitor.config.skids import SkidParts, read_skid
from monitor.config.sources import check_places, needs_broker, read_sources
from monitor.config.web import read_web
from monitor.config.wording import shown
from monitor.settings import (
    BrokerSettings,
    CommandSettings,
    FleetSettings,
    NotifySettings,
    Settings,
    SourceSettings,
    WebSettings,
)

SKID_TABLES = ("skid", "signal", "alarm")


def load_settings(path: Path, environ: Mapping[str, str] | None = None) -> Settings:
    """See `monitor.config.load`."""
    faults = Faults()
    documents = read_documents(path, faults)
    if not documents:
        faults.raise_if_any()
    return settings_from(documents, os.environ if environ is None else environ, faults)


def settings_from(documents: list[Document], environ: Mapping[str, str], faults: Faults) -> Settings:
    """Settings from parsed files, at least one. Raises ConfigError with `faults` and all that is found here."""
    for document in documents:
        for key in document.data.keys() - {*SKID_TABLES, *SHARED}:
            faults.unknown_key(document, (key,), [*SKID_TABLES, *SHARED])
    skids = [read_skid(document, faults) for document in documents if document.data.keys() & set(SKID_TABLES)]
    _check_across(skids, faults)
    owners = find_shared(documents, faults)
    broker, notify, web, command, fleet, opcua, source = (
        owners.get(name) for name in ("broker", "notify", "web", "command", "fleet", "opcua", "source"))
    shared = (
        read_broker(broker, environ, faults) if broker else None,
        read_store(owners.get("store", documents[0]), faults),
        read_notify(notify, environ, faults) if notify else NotifySettings(),
        read_web(web, environ, faults) if web else WebSettings(),
        read_command(command, environ, faults) if command else CommandSettings(),
        read_fleet(fleet, environ, faults) if fleet else FleetSettings(),
        read_opcua(opcua, environ, faults) if opcua else None,
        read_sources(source, environ, faults) if source else SourceSettings(),
    )
    if shared[0] is None and (needs_broker(skids) or shared[4].mqtt != CommandSettings().mqtt):
        shared = (BrokerSettings(), *shared[1:])
    check_places(skids, shared[7], faults)
    _check_rules(notify, shared[2], [parts.skid.id for parts in skids], faults)
    if not skids and not faults.unreadable:
        faults.add(documents[0], ("skid",), "nothing", "a table [skid] and tables [[signal]] in at least one file")
    faults.raise_if_any()
    return Settings(tuple(map(skid_settings, skids)), *shared)


def _check_rules(document: Document | None, notify: NotifySettings, skids: list[str | None], faults: Faults) -> None:
    """Skids that rules name must be configured."""
    for place, rule in enumerate(notify.rules):
        for name in rule.skids:
            if document is not None and name not in skids:
                faults.add(document, ("notify", "rule", place, "skids"), shown(name),
                           f"ids of configured skids: {', '.join(s for s in skids if s)}")


def read_documents(path: Path, faults: Faults) -> list[Document]:
    """The files a path stands for, those without a fault of their own."""
    documents = []
    try:
        files = files_of(path)
    except UnreadableError as error:
        faults.add_unreadable(str(path), 0, error.where, error.found, error.accepted)
        return []
    for order, file in enumerate(files):
        try:
            documents.append(read_document(file, order))
        except UnreadableError as error:
            faults.add_unreadable(str(file), order, error.where, error.found, error.accepted)
    return documents


def _check_across(skids: list[SkidParts], faults: Faults) -> None:
    """Skid ids and topics must differ across all files."""
    ids: dict[str, str] = {}
    topics: dict[tuple[str, str], str] = {}
    for parts in skids:
        name = parts.skid.id
        if name == MONITOR:
            faults.add(parts.document, ("skid", "id"), shown(name), "another name: this one is the monitor's own")
        if name is not None and name in ids:
            faults.add(parts.document, ("skid", "id"), f"{shown(name)}, which {ids[name]} has too",
                       "a different id for each skid")
        if name is not None:
            ids.setdefault(name, parts.document.name)
        for signal in parts.signals:
            # A message without a named field gives its value under "value".
            key = (signal.topic or "", signal.payload.value_field or "value")
            if not key[0]:
                continue
            if key in topics:
                place = key[0].partition(":")[0] if signal.place else "topic"
                faults.add(parts.document, (*signal.path, place), f"{shown(key[0])}, which {topics[key]} has too",
                           "a topic for each signal, or one topic with a different payload.value_field for each"
                           if place == "topic" else "a place of its own for each signal")
            topics.setdefault(key, f"{signal.name} in {parts.document.name}")
