"""All OPC UA servers and Modbus devices, in a thread of their own."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections import deque
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Self

from monitor.errors import InputError
from monitor.ingest.mqtt_parts import Message
from monitor.ingest.plant.link import PlantLink
from monitor.settings import ModbusSettings, OpcuaServer, SourceSettings
from monitor.skid import ModbusPlace, OpcuaPlace, Signal

LOOK_S = 1.0
STOP_S, TRIES = 3.0, 2
CLOSE_S = 0.05
EXTRA = "needs what is not installed: pip install 'bagwright[plant]'"


class Plant:
    """What was read waits here until it is taken; where more than `limit` wait, the oldest make room."""

    def __init__(self, settings: SourceSettings, signals: Sequence[Signal], now: Callable[[], int],
                 tell: Callable[[str], None], trouble: Callable[[str], None], limit: int = 20_000) -> None:
        """InputError where a library is missing."""
        self.queue: deque[Message] = deque()
        self.dropped = 0
        self._limit, self._trouble = limit, trouble
        self.links: list[PlantLink] = []
        sources: list[OpcuaServer | ModbusSettings] = [*settings.opcua, *settings.modbus]
        for source in sources:
            kind = OpcuaPlace if isinstance(source, OpcuaServer) else ModbusPlace
            mine = [s for s in signals if isinstance(s.place, kind) and s.place.source == source.id]
            if mine:
                self.links.append(_make(source, mine, self.put, now, tell, trouble))
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="plant", daemon=True)
        self._stop = asyncio.Event()

    @property
    def away(self) -> dict[str, str]:
        """Of each source that has been away for long: what is wrong."""
        return {link.id: why for link in self.links if (why := link.away) is not None}

    def put(self, message: Message) -> None:
        if len(self.queue) >= self._limit:
            self.queue.popleft()
            if not self.dropped:
                self._trouble("readings from the plant come faster than they are stored: the oldest are dropped")
            self.dropped += 1
        self.queue.append(message)

    def take(self, limit: int) -> list[Message]:
        return [self.queue.popleft() for _ in range(min(limit, len(self.queue)))]

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        with contextlib.closing(self._loop):
            self._loop.run_until_complete(self._all())

    async def _all(self) -> None:
        tasks = {asyncio.create_task(link.keep()) for link in self.links}
        while not self._stop.is_set():
            for link in self.links:
                link.look()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._stop.wait(), LOOK_S)
        await _ended(tasks)
        await _ended(asyncio.all_tasks() - {asyncio.current_task()})    # what libraries have left
        await asyncio.sleep(CLOSE_S)    # what was closed is only then gone

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 traceback: TracebackType | None) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(3 * STOP_S)


async def _ended(tasks: set[asyncio.Task[None]]) -> None:
    """Cancelled twice, if need be: a library that closes a session may take the first for a timeout of its own."""
    for _ in range(TRIES):
        for task in tasks:
            task.cancel()
        if tasks:
            _, tasks = await asyncio.wait(tasks, timeout=STOP_S / TRIES)


def _make(source: OpcuaServer | ModbusSettings, signals: Sequence[Signal], put: Callable[[Message], None],
          now: Callable[[], int], tell: Callable[[str], None], trouble: Callable[[str], None]) -> PlantLink:
    """The libraries are loaded only where they are needed: they take their time. What they log is theirs: we say
    ourselves what a person has to know."""
    for library in ("asyncua", "pymodbus"):
        logging.getLogger(library).addHandler(logging.NullHandler())
        logging.getLogger(library).propagate = False
    try:
        if isinstance(source, OpcuaServer):
            from monitor.ingest.plant.opcua import OpcuaLink

            return OpcuaLink(source, signals, put, now, tell, trouble)
        from monitor.ingest.plant.modbus import ModbusLink

        return ModbusLink(source, signals, put, now, tell, trouble)
    except ImportError:
        raise InputError(f"source {source.id} {EXTRA}") from None
