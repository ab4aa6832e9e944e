"""`[source]`: the OPC UA servers and Modbus devices that signals are read from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.files import file_at
from monitor.config.positions import KeyPath
from monitor.config.secrets import read_secret
from monitor.config.skids import SkidParts
from monitor.config.source_tables import ModbusSourceTable, OpcuaSourceTable, Security, SourceTable
from monitor.config.tables import read_table
from monitor.config.wording import nearest, one_of, shown
from monitor.settings import ModbusSettings, OpcuaServer, SourceSettings
from monitor.skid import ModbusPlace, OpcuaPlace

FILES = {"cert_file": "our own certificate, in PEM or DER", "key_file": "its private key, in PEM without a pass phrase",
         "server_cert_file": "the server's certificate, in PEM or DER: no other is spoken to"}  # fmt: skip


def read_sources(document: Document, environ: Mapping[str, str], faults: Faults) -> SourceSettings:
    """`[source]` of a document with its `[[source.opcua]]` and `[[source.modbus]]`; ids must differ."""
    table = read_table(SourceTable, document, ("source",), faults)
    opcua = tuple(_opcua(document, place, environ, faults) for place in _places(document, table, "opcua", faults))
    modbus = tuple(_modbus(document, place, faults) for place in _places(document, table, "modbus", faults))
    names: list[str] = []
    ids = [("opcua", place, source.id) for place, source in enumerate(opcua)]
    for kind, place, name in [*ids, *(("modbus", place, source.id) for place, source in enumerate(modbus))]:
        if name and name in names:
            faults.add(document, ("source", kind, place, "id"), f"{shown(name)} a second time",
                       "another id for each source")
        names.append(name)
    return SourceSettings(opcua, modbus)


def check_places(skids: Sequence[SkidParts], settings: SourceSettings, faults: Faults) -> None:
    """Each source that a signal names must be there."""
    known = {OpcuaPlace: [s.id for s in settings.opcua], ModbusPlace: [s.id for s in settings.modbus]}
    for parts in skids:
        for signal in parts.signals:
            place = signal.place
            if not isinstance(place, OpcuaPlace | ModbusPlace) or place.source in known[type(place)]:
                continue
            kind = "opcua" if isinstance(place, OpcuaPlace) else "modbus"
            names = [name for name in known[type(place)] if name]
            close = nearest(place.source, names)
            hint = f" (did you mean {shown(close)}?)" if close else ""
            faults.add(parts.document, (*signal.path, kind, "source"), shown(place.source) + hint,
                       one_of(map(shown, names)) if names else f"the id of a [[source.{kind}]]; there is none")


def needs_broker(skids: Sequence[SkidParts]) -> bool:
    """Whether any signal comes over MQTT, or is not yet said to come in another way."""
    places = [signal.place for parts in skids for signal in parts.signals]
    return not places or not all(isinstance(place, OpcuaPlace | ModbusPlace) for place in places)


def _places(document: Document, table: SourceTable, key: str, faults: Faults) -> range:
    tables: Any = getattr(table, key)
    if tables is None:
        return range(0)
    if not isinstance(tables, list) or not tables:
        faults.add(document, ("source", key), "no tables", f"tables [[source.{key}]]")
        return range(0)
    return range(len(tables))


def _modbus(document: Document, place: int, faults: Faults) -> ModbusSettings:
    table = read_table(ModbusSourceTable, document, ("source", "modbus", place), faults)
    default = ModbusSettings("", "")
    return ModbusSettings(
        id=table.id or "", host=table.host or "", port=table.port or default.port,
        unit_id=default.unit_id if table.unit_id is None else table.unit_id,
        poll_s=table.poll or default.poll_s, timeout_s=table.timeout or default.timeout_s,
    )  # fmt: skip


def _opcua(document: Document, place: int, environ: Mapping[str, str], faults: Faults) -> OpcuaServer:
    path: KeyPath = ("source", "opcua", place)
    table, default = read_table(OpcuaSourceTable, document, path, faults), OpcuaServer("", "")
    password = read_secret(document, path, table, "password", environ, faults)
    files = {key: file_at(document, (*path, key), table, faults, what) for key, what in FILES.items()}
    security = str(table.security or default.security)
    raw = document.data["source"]["opcua"][place]
    if isinstance(raw, dict) and ("security" not in raw or table.security is not None):
        _check_security(document, path, table, security, faults)
    return OpcuaServer(
        id=table.id or "", url=table.url or "", security=security, policy=str(table.policy or default.policy), **files,
        username=table.username, password=password, sampling_s=table.sampling or default.sampling_s,
        timeout_s=table.timeout or default.timeout_s,
    )  # fmt: skip


def _check_security(document: Document, path: KeyPath, table: OpcuaSourceTable, security: str, faults: Faults) -> None:
    if (table.password_env or table.password_file) and table.username is None:
        faults.add(document, (*path, "username"), "nothing beside a password", "the user's name")
    if security != Security.NONE:
        for key, what in FILES.items():
            if getattr(table, key) is None:
                faults.add(document, (*path, key), "nothing",
                           f'{what}; or security = "none" on a network that nobody else reaches')
        return
    for key in (*FILES, "policy"):
        if getattr(table, key) is not None:
            faults.add(document, (*path, key), f"{key} while security is none", "security sign or sign-and-encrypt")
    if table.username is not None:
        faults.add(document, (*path, "username"), "a user while security is none",
                   "security sign or sign-and-encrypt: the password would be readable on the way")
