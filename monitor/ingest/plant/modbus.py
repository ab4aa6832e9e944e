"""Modbus TCP (Modbus Application Protocol V1.1b3): registers and contacts, polled.

A reading has the time at which the answer came. Neighbouring addresses are read together, never one that no signal is
at: devices answer such a block with an exception as a whole.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException

from monitor.ingest.mqtt_parts import Message
from monitor.ingest.plant.link import LostError, PlantLink
from monitor.ingest.reading import gone, reading, refused
from monitor.model import Quality, Reason
from monitor.settings import ModbusSettings
from monitor.skid import ModbusPlace, Signal

TYPES = {name: AsyncModbusTcpClient.DATATYPE[name.upper()]
         for name in ("int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64")}  # fmt: skip
READERS = {"holding": "read_holding_registers", "input": "read_input_registers", "coil": "read_coils",
           "discrete": "read_discrete_inputs"}  # fmt: skip
MOST = {"holding": 125, "input": 125, "coil": 2_000, "discrete": 2_000}     # of one request, chapters 6.1 to 6.4
# Chapter 7.
EXCEPTIONS = {1: "it does not know the function", 2: "it has no such address", 3: "it does not accept the request",
              4: "it has failed", 6: "it is busy", 10: "the gateway has no way to it",
              11: "it does not answer the gateway"}  # fmt: skip
BEHIND_GATEWAY = (10, 11)


class Item(NamedTuple):
    signal: Signal
    place: ModbusPlace
    size: int           # registers or contacts


class Block(NamedTuple):
    """Neighbours of one table that are read in one request."""

    table: str
    start: int
    size: int
    items: tuple[Item, ...]


def blocks(signals: Sequence[Signal]) -> list[Block]:
    """The requests that read all signals."""
    items = [Item(s, s.place, _size(s.place)) for s in signals if isinstance(s.place, ModbusPlace)]
    found: list[Block] = []
    for item in sorted(items, key=lambda item: (item.place.table, item.place.at)):
        table, at, end = item.place.table, item.place.at, item.place.at + item.size
        last = found[-1] if found and found[-1].table == table else None
        if last is not None and at <= last.start + last.size and end - last.start <= MOST[table]:
            found[-1] = Block(table, last.start, max(last.size, end - last.start), (*last.items, item))
        else:
            found.append(Block(table, at, item.size, (item,)))
    return found


def _size(place: ModbusPlace) -> int:
    return 1 if place.type is None else TYPES[place.type].value[1]


class ModbusLink(PlantLink):
    """Polls one device."""

    def __init__(self, settings: ModbusSettings, signals: Sequence[Signal], put: Callable[[Message], None],
                 now: Callable[[], int], tell: Callable[[str], None], trouble: Callable[[str], None]) -> None:
        super().__init__(settings.id, signals, put, now, tell, trouble)
        self._settings, self._blocks = settings, blocks(signals)

    @property
    def name(self) -> str:
        return f"the Modbus device {self.id} at {self._settings.host}:{self._settings.port}"

    async def session(self) -> None:
        s = self._settings
        client = AsyncModbusTcpClient(s.host, port=s.port, timeout=s.timeout_s, retries=0, reconnect_delay=0)
        try:
            if not await client.connect():
                raise LostError("cannot be reached")
            due = time.monotonic()
            while True:
                for block in self._blocks:
                    await self._read(client, block)
                due = max(due + s.poll_s, time.monotonic() - s.poll_s)     # what was missed is not made up for
                await asyncio.sleep(max(0.0, due - time.monotonic()))
        finally:
            client.close()

    async def _read(self, client: Any, block: Block) -> None:
        ask = getattr(client, READERS[block.table])
        try:
            answer = await ask(block.start, count=block.size, device_id=self._settings.unit_id)
        except ModbusException as error:
            raise LostError(f"no answer that can be used: {error}") from None
        now = self.now()
        self.up()
        if answer.isError():
            code = getattr(answer, "exception_code", 0)
            self._failed(block, code, now)
            return
        found = answer.bits if block.table in ("coil", "discrete") else answer.registers
        if len(found) < block.size:
            for item in block.items:
                self._refuse(item, f"{len(found)} values where {block.size} were asked for", now)
            return
        for item in block.items:
            at = item.place.at - block.start
            self.put(reading(item.signal, _value(item.place, found[at:at + item.size]), now, now))

    def _failed(self, block: Block, code: int, now: int) -> None:
        for item in block.items:
            if code in BEHIND_GATEWAY:
                self.put(gone(item.signal, now))
            else:
                self._refuse(item, EXCEPTIONS.get(code, f"exception {code}"), now)
                self.put(reading(item.signal, None, now, now, Quality.BAD))

    def _refuse(self, item: Item, why: str, now: int) -> None:
        self.put(refused(item.signal.topic, b"", now, Reason.BAD_QUALITY, f"the device's answer: {why}"))


def _value(place: ModbusPlace, found: Sequence[Any]) -> Any:
    if place.bit is not None:
        return bool(found[0] >> place.bit & 1)
    if place.type is None:
        return bool(found[0])
    order: Any = place.word_order
    return AsyncModbusTcpClient.convert_from_registers(list(found), TYPES[place.type], word_order=order)
