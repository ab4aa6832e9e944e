"""An OPC UA server (asyncua) and a Modbus TCP device (pymodbus) on loopback, each in a thread of its own."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Coroutine, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, Self

from asyncua import Server, ua
from asyncua.crypto.permission_rules import SimpleRoleRuleset, User, UserRole
from asyncua.server.user_managers import UserManager
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from services import free_port

NAMESPACE = "urn:hatchery:plc"
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Peer:
    """A server that can be stopped and started again on the same port."""

    def __init__(self) -> None:
        self.port = free_port()
        self._loop: asyncio.AbstractEventLoop | None = None

    async def up(self) -> None: ...

    async def down(self) -> None: ...

    def start(self) -> Self:
        loop = self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=loop.run_forever, daemon=True)
        self._thread.start()
        self.run(self.up())
        return self

    def run(self, work: Coroutine[Any, Any, Any]) -> Any:
        assert self._loop is not None
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(30)

    def stop(self) -> None:
        loop, self._loop = self._loop, None
        if loop is None:
            return
        for last in (self.down, partial(asyncio.sleep, 0.1)):
            asyncio.run_coroutine_threadsafe(last(), loop).result(30)
        loop.call_soon_threadsafe(loop.stop)
        self._thread.join(10)
        left = asyncio.all_tasks(loop)
        for task in left:
            task.cancel()
        if left:
            loop.run_until_complete(asyncio.wait(left))
        loop.close()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()


class Passwords(UserManager):
    def __init__(self, known: dict[str, str]) -> None:
        self.known = known

    def get_user(self, iserver: Any, username: Any = None, password: Any = None, certificate: Any = None) -> Any:
        good = username is not None and self.known.get(username) == password
        return User(role=UserRole.User, name=username) if good else None


class OpcuaServer(Peer):
    """Variables by name, ns=2;s=NAME. secured: (certificate, key) of the server, which then takes nothing unencrypted;
    users: names and passwords that are let in, empty: anybody."""

    def __init__(self, names: Sequence[str], *, secured: tuple[Path, Path] | None = None,
                 users: dict[str, str] | None = None) -> None:  # fmt: skip
        super().__init__()
        self.names, self.secured, self.users = names, secured, users or {}
        self.nodes: dict[str, Any] = {}
        self.server: Server | None = None

    @property
    def url(self) -> str:
        return f"opc.tcp://127.0.0.1:{self.port}/"

    async def up(self) -> None:
        if self.server is None:
            self.server = await self._made()
        await self.server.start()

    async def _made(self) -> Server:
        server = Server(user_manager=Passwords(self.users) if self.users else None)
        await server.init()
        server.set_endpoint(self.url)
        if self.secured:
            server.set_security_policy([ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt], SimpleRoleRuleset())
            await server.load_certificate(str(self.secured[0]))
            await server.load_private_key(str(self.secured[1]))
        else:
            server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        space = await server.register_namespace(NAMESPACE)
        for name in self.names:
            self.nodes[name] = await server.nodes.objects.add_variable(
                ua.NodeId(name, space), name, ua.Variant(0.0, ua.VariantType.Double))
        return server

    async def down(self) -> None:
        assert self.server is not None
        # First of all nobody more is let in: a client that is quick to come back would keep it from ever ending.
        self.server.bserver._server.close()
        await self.server.stop()

    def write(self, rows: Sequence[tuple[str, Any, int]], status: int = 0, kind: Any = ua.VariantType.Double) -> None:
        """rows: name, value, and time [ns] of each."""
        self.run(self._write(rows, status, kind))

    async def _write(self, rows: Sequence[tuple[str, Any, int]], status: int, kind: Any) -> None:
        for name, value, ns in rows:
            at = EPOCH + timedelta(microseconds=ns // 1000)
            found = ua.DataValue(ua.Variant(value, kind), ua.StatusCode(status), SourceTimestamp=at)
            await self.nodes[name].write_value(found)


class ModbusDevice(Peer):
    """Input and holding registers 0 to 99, coils and discrete inputs 0 to 15. look: called before each answer with the
    registers that hold all that is asked for; what it returns is an exception's code, or 0."""

    def __init__(self, look: Callable[[int, list[int]], int] = lambda function, registers: 0) -> None:
        super().__init__()
        self.look = look

    async def up(self) -> None:
        async def action(function: int, start: int, address: int, count: int, registers: list[int], values: Any) -> Any:
            del start, address, count, values
            code = self.look(function, registers)
            return ExcCodes(code) if code else None

        bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        words = [SimData(0, values=[0] * 100, datatype=DataType.REGISTERS)]
        device = SimDevice(1, (bits, list(bits), words, list(words)), action=action)
        self.server = ModbusTcpServer(device, address=("127.0.0.1", self.port))
        await self.server.serve_forever(background=True)

    async def down(self) -> None:
        await self.server.shutdown()
