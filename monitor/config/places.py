"""Where a signal is read when not from a topic: `sparkplug`, `opcua` or `modbus` of a `[[signal]]`."""

from __future__ import annotations

from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.positions import KeyPath
from monitor.config.skid_tables import SignalTable
from monitor.config.source_tables import ModbusTable, NumberType, OpcuaTable, RegisterTable, SparkplugTable
from monitor.config.tables import accepted_for, read_table
from monitor.skid import ModbusPlace, OpcuaPlace, Place, SparkplugPlace

PLACES = ("sparkplug", "opcua", "modbus")
BITS = (RegisterTable.COIL, RegisterTable.DISCRETE)
WORDS = {NumberType.INT16: 1, NumberType.UINT16: 1, NumberType.INT32: 2, NumberType.UINT32: 2, NumberType.FLOAT32: 2,
         NumberType.INT64: 4, NumberType.UINT64: 4, NumberType.FLOAT64: 4}  # fmt: skip


def read_place(document: Document, path: KeyPath, raw: dict[str, object], *, contact: bool,
               faults: Faults) -> Place | None:  # fmt: skip
    """The place of a signal whose table is `raw`; None where it has a topic, or with a fault. contact: whether its role
    is one of on and off."""
    given = [key for key in ("topic", *PLACES) if key in raw]
    if not given:
        faults.add(document, (*path, "topic"), "nothing",
                   f"{accepted_for(SignalTable, 'topic')}; or a table sparkplug, opcua or modbus")
    for extra in given[1:]:
        faults.add(document, (*path, extra), f"{extra} beside {given[0]}", "one of them: a signal is read in one place")
    if len(given) != 1 or given[0] == "topic":
        return None
    if "payload" in raw:
        faults.add(document, (*path, "payload"), f"payload beside {given[0]}", "payload only beside topic")
    match given[0]:
        case "sparkplug":
            return _sparkplug(document, (*path, "sparkplug"), faults)
        case "opcua":
            return _opcua(document, (*path, "opcua"), faults)
    return _modbus(document, (*path, "modbus"), faults, contact=contact)


def _sparkplug(document: Document, path: KeyPath, faults: Faults) -> SparkplugPlace | None:
    table = read_table(SparkplugTable, document, path, faults)
    if table.group is None or table.node is None or table.metric is None:
        return None
    return SparkplugPlace(table.group, table.node, table.metric, table.device, table.raw)


def _opcua(document: Document, path: KeyPath, faults: Faults) -> OpcuaPlace | None:
    table = read_table(OpcuaTable, document, path, faults)
    return None if table.source is None or table.node is None else OpcuaPlace(table.source, table.node, table.raw)


def _modbus(document: Document, path: KeyPath, faults: Faults, *, contact: bool) -> ModbusPlace | None:
    table = read_table(ModbusTable, document, path, faults)
    if table.source is None or table.table is None or table.address is None:
        return None
    numeric = ("type", "word_order", "bit", "raw")
    given = [key for key in numeric if getattr(table, key) is not None]
    if table.table in BITS:
        for key in given:
            faults.add(document, (*path, key), f"{key} on a {table.table}", "none: it is on or off")
        if not contact:
            faults.add(document, (*path, "table"), f"{table.table}, which is on or off",
                       "holding or input for this role")
    elif table.bit is not None:
        for key in given:
            if key != "bit":
                faults.add(document, (*path, key), f"{key} beside bit", "a bit is on or off")
        if not contact:
            faults.add(document, (*path, "bit"), "a bit, which is on or off", "type for this role")
    elif table.type is None:
        faults.add(document, (*path, "type"), "nothing", accepted_for(ModbusTable, "type"))
    elif table.address + WORDS[table.type] > 65_536:
        faults.add(document, (*path, "address"), str(table.address), f"an address with room for {table.type}")
    return ModbusPlace(
        source=table.source, table=str(table.table), at=table.address, word_order=str(table.word_order or "big"),
        type=None if table.type is None else str(table.type), bit=table.bit, raw=table.raw,
    )  # fmt: skip
