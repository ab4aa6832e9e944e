"""OPC UA: variables of a server through a subscription, each change with its source's time and status (Part 4, 5.13).

The library takes the session up again after a short break and asks for what was not acknowledged (Republish); after a
longer one we begin anew. It acknowledges what it has handed to us, not what we have stored.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from asyncua import ua
from asyncua.client.client import Client
from asyncua.client.ua_client import UaClientState
from asyncua.common.subscription import DataChangeEvent, Subscription
from asyncua.crypto import security_policies, uacrypto
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaError
from cryptography import x509

from monitor.ingest.mqtt_parts import Message
from monitor.ingest.plant.link import LostError, PlantLink
from monitor.ingest.reading import gone, reading, refused
from monitor.model import Quality, Reason
from monitor.settings import OpcuaServer
from monitor.skid import OpcuaPlace, Signal

BREAK_S = 10.0          # a break that the session may outlive
LOOK_S = 1.0            # how often the connection is looked at
GATHER_S = (0.05, 0.25) # what comes together is waited for: so long after each, so long in all
MOST = 5_000            # changes handed on together
RETRY_S = 60.0          # how often a node that the server does not have is asked for again
QUEUE = 100             # values that the server keeps of a variable between two messages
HANDED_ON = 100_000     # changes the library may have waiting for us
# The server itself has lost what measures: no value will come until it says otherwise.
SEVERED = frozenset({StatusCodes.BadNoCommunication, StatusCodes.BadNotConnected, StatusCodes.BadShutdown,
                     StatusCodes.BadServerHalted, StatusCodes.BadConnectionClosed})  # fmt: skip
POLICIES: dict[str, Any] = {
    "Basic256Sha256": security_policies.SecurityPolicyBasic256Sha256,
    "Aes128_Sha256_RsaOaep": security_policies.SecurityPolicyAes128Sha256RsaOaep,
    "Aes256_Sha256_RsaPss": security_policies.SecurityPolicyAes256Sha256RsaPss,
}
MODES = {"sign": ua.MessageSecurityMode.Sign, "sign-and-encrypt": ua.MessageSecurityMode.SignAndEncrypt}
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class OpcuaLink(PlantLink):
    """Subscribes to one server."""

    def __init__(self, settings: OpcuaServer, signals: Sequence[Signal], put: Callable[[Message], None],
                 now: Callable[[], int], tell: Callable[[str], None], trouble: Callable[[str], None]) -> None:
        super().__init__(settings.id, signals, put, now, tell, trouble)
        self._settings = settings
        self._handles: dict[int, Signal] = {}

    @property
    def name(self) -> str:
        return f"the OPC UA server {self.id} at {self._settings.url}"

    async def session(self) -> None:
        client = Client(self._settings.url, timeout=self._settings.timeout_s)
        try:
            await self._connect(client)
            await self._watch(client)
        except UaError as error:
            raise LostError(_words(error)) from None
        finally:
            with contextlib.suppress(Exception):    # it may be beyond saying goodbye to
                await asyncio.wait_for(client.disconnect(), self._settings.timeout_s)

    async def _connect(self, client: Client) -> None:
        s = self._settings
        client.name = client.description = "Bagwright"
        if s.security != "none":
            assert s.cert_file is not None
            assert s.key_file is not None
            client.application_uri = await _uri_of(s.cert_file) or client.application_uri
            try:
                await client.set_security(
                    POLICIES[s.policy], s.cert_file, s.key_file, server_certificate=s.server_cert_file,
                    mode=MODES[s.security])
            except (ValueError, TypeError) as error:
                raise LostError(f"its certificate or ours cannot be used: {error}") from None
        if s.username is not None:
            client.set_user(s.username)
            client.set_password(s.password.reveal() if s.password else "")
        await client.connect(auto_reconnect=True, reconnect_max_delay=BREAK_S / 4,
                             reconnect_request_timeout=BREAK_S)

    async def _watch(self, client: Client) -> None:
        """Subscribe and hand on what comes, until the connection has been lost for long."""
        subscription = await client.create_subscription(1000 * self._settings.sampling_s, queue_maxsize=HANDED_ON)
        missing = await self._subscribe(client, subscription, self.signals)
        self.up()
        lost, again = None, time.monotonic() + RETRY_S
        while True:
            await self._hand_on(subscription)
            if client.state is UaClientState.CONNECTED:
                self.up()
                lost = None
            else:
                self.down("the connection was lost")
                lost = lost or time.monotonic()
                if time.monotonic() - lost > BREAK_S:
                    raise LostError("the connection was lost")
            if missing and lost is None and time.monotonic() > again:
                again = time.monotonic() + RETRY_S
                missing = await self._subscribe(client, subscription, missing)

    async def _subscribe(self, client: Client, subscription: Subscription,
                         signals: Sequence[Signal]) -> list[Signal]:  # fmt: skip
        """Returns the signals whose nodes the server does not let us have."""
        requests, asked, missing = [], [], []
        for signal in signals:
            try:
                node = await _node_id(client, signal)
            except ValueError as error:
                self._refuse(signal, str(error))
                missing.append(signal)
                continue
            handle = len(self._handles) + 1
            self._handles[handle] = signal
            requests.append(_request(node, handle, 1000 * self._settings.sampling_s))
            asked.append(signal)
        results = await subscription.create_monitored_items(requests) if requests else []
        for signal, result in zip(asked, results, strict=True):
            if isinstance(result, ua.StatusCode):
                self._refuse(signal, f"the server does not let us have it: {result.name}")
                missing.append(signal)
        return missing

    async def _hand_on(self, subscription: Subscription) -> None:
        """Wait for changes and hand on what comes together, in order of time: a server gives it variable by variable,
        and what queued there during a break would be late."""
        came: list[tuple[int, Message]] = []
        began = time.monotonic()
        while len(came) < MOST and not (came and time.monotonic() - began > GATHER_S[1]):
            event = await subscription.next_event(GATHER_S[0] if came else LOOK_S)
            if not isinstance(event, DataChangeEvent):
                break
            began = began if came else time.monotonic()
            came.append(self._read(event))
        for _, message in sorted(came, key=lambda one: one[0]):
            self.put(message)

    def _read(self, event: DataChangeEvent) -> tuple[int, Message]:
        """A change's time [ns] and what it says."""
        item = event.data.monitored_item
        signal, found, now = self._handles[item.ClientHandle], item.Value, self.now()
        status = found.StatusCode.value if found.StatusCode is not None else 0
        if status in SEVERED:
            return now, gone(signal, now)
        quality = (Quality.GOOD, Quality.UNCERTAIN, Quality.BAD, Quality.BAD)[status >> 30 & 3]
        at = _ns(found.SourceTimestamp or found.ServerTimestamp)
        return at or now, reading(signal, event.value, at, now, quality)

    def _refuse(self, signal: Signal, why: str) -> None:
        self.put(refused(signal.topic, b"", self.now(), Reason.UNKNOWN_SIGNAL, why))


def _request(node: ua.NodeId, handle: int, sampling_ms: float) -> ua.MonitoredItemCreateRequest:
    """Every sample with a time of its own, also of the same value: silence is then silence."""
    every = ua.DataChangeFilter()
    every.Trigger = ua.DataChangeTrigger.StatusValueTimestamp
    what = ua.ReadValueId()
    what.NodeId, what.AttributeId = node, AttributeIds.Value
    how = ua.MonitoringParameters()
    how.ClientHandle, how.SamplingInterval, how.QueueSize, how.DiscardOldest = handle, sampling_ms, QUEUE, True
    how.Filter = every
    request = ua.MonitoredItemCreateRequest()
    request.ItemToMonitor, request.MonitoringMode, request.RequestedParameters = what, ua.MonitoringMode.Reporting, how
    return request


async def _node_id(client: Client, signal: Signal) -> ua.NodeId:
    """ValueError where the server does not know its namespace."""
    place = signal.place
    assert isinstance(place, OpcuaPlace)
    text = place.node
    if text.startswith("nsu="):
        uri, _, rest = text.removeprefix("nsu=").partition(";")
        try:
            text = f"ns={await client.get_namespace_index(uri)};{rest}"
        except ValueError:
            raise ValueError(f"the server knows no namespace {uri}") from None
    try:
        return ua.NodeId.from_string(text)
    except UaError as error:
        raise ValueError(f"no node: {error}") from None


async def _uri_of(cert_file: str) -> str | None:
    """The application's URI that a certificate names, which the session must give too (Part 6, 6.2.2)."""
    try:
        certificate = await uacrypto.load_certificate(Path(cert_file))
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (ValueError, x509.ExtensionNotFound):
        return None
    return next(iter(names.get_values_for_type(x509.UniformResourceIdentifier)), None)


def _ns(time: Any) -> int | None:
    if time is None:
        return None
    since: timedelta = (time if time.tzinfo else time.replace(tzinfo=UTC)) - EPOCH
    return (since.days * 86_400 + since.seconds) * 1_000_000_000 + since.microseconds * 1_000


def _words(error: UaError) -> str:
    """What the server or the library says, by the name of its status code."""
    code = getattr(error, "code", None)
    return f"it answers {ua.StatusCode(code).name}" if code is not None else f"the session failed: {error}"
