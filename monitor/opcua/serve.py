"""The server's life: made, filled once a second from the store, ended on request."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

from asyncua import ua
from asyncua.server import monitored_item_service

from monitor.errors import RunError, StoreError
from monitor.opcua.certificates import own
from monitor.opcua.conditions import Conditions
from monitor.opcua.data import Leave, Source, States
from monitor.opcua.event_history import EventHistory
from monitor.opcua.guard import GuardedServer, Inside, Refusals, Users, trusted
from monitor.opcua.history import StoreHistory, data_value
from monitor.opcua.space import URI, Space
from monitor.opcua.told import Where
from monitor.opcua.values import Place, Value, current
from monitor.settings import OpcuaSettings, Settings

EVERY_S = 1.0
APPLICATION = "urn:bagwright:opcua"


def serve(settings: Settings, opcua: OpcuaSettings, open_source: Callable[[], Source], leave: Leave,
          say: Callable[[str], None], stop: asyncio.Event | None = None) -> None:  # fmt: skip
    """Serves until a signal ends it. Raises RunError where the port is taken or a certificate cannot be read."""
    asyncio.run(_serve(settings, opcua, open_source, leave, say, stop or asyncio.Event()))


async def _serve(settings: Settings, opcua: OpcuaSettings, open_source: Callable[[], Source], leave: Leave,
                 say: Callable[[str], None], stop: asyncio.Event) -> None:  # fmt: skip
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    logger = logging.getLogger("asyncua")
    logger.handlers, logger.propagate = [Refusals(say)], False
    monitored_item_service.WhereClauseEvaluator = Where
    source = open_source()
    try:
        users = Users(opcua)
        server = await _made(settings, opcua, users, say)
        space = Space(server, await server.register_namespace(URI))
        space.build(settings.skids)
        server.iserver.history_manager = StoreHistory(
            server.iserver, source, space.history, EventHistory(space, server.iserver.aspace, source))
        await space.tell_of_the_past()
        conditions = Conditions(server, space, source, leave, users)
        conditions.bind()
        filler = Filler(server, settings, space, source)
        await _look(source, filler, conditions)
        try:
            await server.start()
        except OSError as error:
            reason = (os.strerror(error.errno) if error.errno else str(error)).lower()
            raise RunError(f"[opcua] {opcua.host}:{opcua.port} cannot be served ({reason})") from None
        say(f"OPC UA at opc.tcp://{opcua.host}:{opcua.port}/, {_security(opcua)}, {len(settings.skids)} skids")
        try:
            await _loop(source, filler, conditions, stop, say)
        finally:
            await server.stop()
    finally:
        source.close()


async def _look(source: Source, filler: Filler, conditions: Conditions) -> None:
    states = await asyncio.to_thread(source.alarm_states)
    await filler.step(states)
    await conditions.look(states)


async def _loop(source: Source, filler: Filler, conditions: Conditions, stop: asyncio.Event,
                say: Callable[[str], None]) -> None:  # fmt: skip
    complained = False
    while not stop.is_set():
        try:
            await _look(source, filler, conditions)
            await conditions.look_events()
            complained = False
        except Exception as error:  # noqa: BLE001  # clients keep what there is; the next look may do better
            if not complained:
                kind = "" if isinstance(error, StoreError) else f"unexpected {type(error).__name__}: "
                say(f"OPC UA: {kind}{error}")
            complained = True
        try:
            await asyncio.wait_for(stop.wait(), EVERY_S)
        except TimeoutError:
            continue


class Filler:
    """Writes what has changed into the address space."""

    def __init__(self, server: GuardedServer, settings: Settings, space: Space, source: Source) -> None:
        self._server, self._skids, self._space, self._source = server, settings.skids, space, source
        self._known: dict[Place, Value] = {}

    async def step(self, states: States) -> None:
        found = await asyncio.to_thread(lambda: list(current(self._source, self._skids, states)))
        for number, (place, value) in enumerate(found):
            if self._known.get(place) != value:
                self._known[place] = value
                await self._server.iserver.write_attribute_value(self._space.nodes[place], data_value(value))
            if number % 500 == 499:
                await asyncio.sleep(0)      # clients first


async def _made(settings: Settings, opcua: OpcuaSettings, users: Users, say: Callable[[str], None]) -> GuardedServer:
    inside = Inside(users)
    server = GuardedServer(inside, unencrypted=opcua.unencrypted)
    await server.init()
    server.set_server_name("Bagwright")
    server.set_endpoint(f"opc.tcp://{opcua.host}:{opcua.port}/")
    await server.set_application_uri(APPLICATION)
    policies = [ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt]
    server.set_security_policy([ua.SecurityPolicyType.NoSecurity, *policies] if opcua.unencrypted else policies)
    tokens: list[Any] = [ua.AnonymousIdentityToken] if opcua.anonymous else []
    if any(u.password is not None for u in opcua.users):
        tokens.append(ua.UserNameIdentityToken)
    if any(u.cert_file is not None for u in opcua.users):
        tokens.append(ua.X509IdentityToken)
    server.set_identity_tokens(tokens)
    inside.certificate_validator = trusted(opcua.trusted)
    if opcua.cert_file is not None and opcua.key_file is not None:
        certificate, key = Path(opcua.cert_file), Path(opcua.key_file)
    else:
        certificate, key, fresh = own(Path(settings.store.path).parent, APPLICATION, opcua.host)
        if fresh:
            say(f"OPC UA: made a certificate for this server, {certificate}; clients have to be told to trust it")
    try:
        await server.load_certificate(certificate, _format(certificate))
        await server.load_private_key(key, format=_format(key))
    except (OSError, ValueError) as error:
        raise RunError(f"[opcua] {certificate} or {key} cannot be used ({error})") from None
    return server


def _format(file: Path) -> str:
    return "pem" if b"-----BEGIN" in file.read_bytes() else "der"


def _security(opcua: OpcuaSettings) -> str:
    offered = ["Basic256Sha256 sign and encrypt"] + (["no security at all"] if opcua.unencrypted else [])
    return " or ".join(offered) + (", anonymous clients may look" if opcua.anonymous else "")
