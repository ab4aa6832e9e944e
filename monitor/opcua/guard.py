"""What stands between the network and the library: encryption, log-in, and bounds on what one client may take.

The library lets a channel without security in for discovery, and does not look at it again; and it keeps whatever a
client announces, the sessions of a connection that it has forgotten too. So here: without encryption only the
endpoints are told (unless it was asked for), nothing is done before log-in, and messages, sessions, subscriptions and
what one request may hold are bounded. What is refused is counted and said once a minute at most.
"""

from __future__ import annotations

import asyncio
import hmac
import logging
import time
from collections.abc import Callable
from contextvars import ContextVar
from pathlib import Path
from typing import Any, ClassVar

from asyncua import Server, ua
from asyncua.common.utils import ServiceError
from asyncua.crypto import uacrypto
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.crypto.security_policies import SecurityPolicyNone
from asyncua.server.binary_server_asyncio import BinaryServer, OPCUAProtocol
from asyncua.server.internal_server import InternalServer
from asyncua.server.internal_session import InternalSession, SessionState
from asyncua.server.uaprocessor import UaProcessor
from asyncua.server.user_managers import UserManager

from monitor.settings import OpcuaSettings, OpcuaUser

CONNECTIONS, SESSIONS, SUBSCRIPTIONS = 100, 50, 100
ITEMS = 20_000          # monitored of one session
QUEUE = 100             # values of one item that wait to be fetched
OPERATIONS = 5_000      # nodes of one request
FASTEST_MS = 250.0      # of a subscription
CHUNK, MESSAGE = 65_535, 4 * 1024 * 1024
TRIES, TRIES_S = 10, 60.0       # failed log-ins of one address, and for how long they count
KINDS = (b"HEL", b"OPN", b"MSG", b"CLO", b"ERR")
NOBODY = "anonymous"

_Ids = ua.ObjectIds
_DISCOVERY = {ua.NodeId(i) for i in (_Ids.GetEndpointsRequest_Encoding_DefaultBinary,
                                     _Ids.FindServersRequest_Encoding_DefaultBinary)}  # fmt: skip
_CREATE = ua.NodeId(_Ids.CreateSessionRequest_Encoding_DefaultBinary)
_BEFORE = _DISCOVERY | {_CREATE, ua.NodeId(_Ids.ActivateSessionRequest_Encoding_DefaultBinary),
                        ua.NodeId(_Ids.CloseSessionRequest_Encoding_DefaultBinary)}  # fmt: skip
_NEVER = {ua.NodeId(i) for i in (_Ids.RegisterServerRequest_Encoding_DefaultBinary,
                                 _Ids.RegisterServer2Request_Encoding_DefaultBinary)}  # fmt: skip
asking: ContextVar[User | None] = ContextVar("asking", default=None)     # whose request is being done


class Users(UserManager):
    """Who may come in; `may_act` tells those who may do more than look."""

    def __init__(self, settings: OpcuaSettings) -> None:
        self._settings = settings
        self._certificates = {_der(Path(u.cert_file)): u for u in settings.users if u.cert_file is not None}
        self._acting = {u.name for u in settings.users if u.role == "act"}

    def get_user(self, iserver: Any, username: str | None = None, password: str | None = None,
                 certificate: bytes | None = None) -> User | None:
        if username is not None:
            found = next((u for u in self._settings.users if _same(u.name, username)), None)
            good = _same(_password(found), password or "")
            return _known(found) if found is not None and found.password is not None and good else None
        known = self._certificates.get(certificate) if certificate is not None else None
        if known is not None:
            return _known(known)
        return User(UserRole.User, NOBODY) if self._settings.anonymous else None

    def may_act(self, user: User | None) -> bool:
        return user is not None and user.name in self._acting


def _known(user: OpcuaUser) -> User:
    return User(UserRole.User, user.name)


def _password(user: OpcuaUser | None) -> str:
    return "" if user is None or user.password is None else user.password.reveal()


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode("utf-8", "surrogateescape"), other.encode("utf-8", "surrogateescape"))


def _der(path: Path) -> bytes:
    content = path.read_bytes()
    certificate = (uacrypto.x509.load_pem_x509_certificate(content) if b"-----BEGIN" in content
                   else uacrypto.x509_from_der(content))  # fmt: skip
    return bytes(uacrypto.der_from_x509(certificate))


class Session(InternalSession):
    """One client's session, within its bounds."""

    failures: ClassVar[dict[str, list[float]]] = {}     # by address
    items = 0

    def activate_session(self, params: Any, peer_certificate: bytes | None) -> Any:
        host, now = str(self.name[0] if isinstance(self.name, tuple) else self.name), time.monotonic()
        recent = [t for t in self.failures.get(host, []) if now - t < TRIES_S]
        if len(recent) >= TRIES:
            raise ServiceError(ua.StatusCodes.BadUserAccessDenied)
        try:
            return super().activate_session(params, peer_certificate)
        except Exception:
            if len(self.failures) > OPERATIONS:
                self.failures.clear()
            self.failures[host] = [*recent, now]
            raise

    async def create_subscription(self, params: Any, callback: Any, request_callback: Any = None) -> Any:
        if self.external:
            params.RequestedPublishingInterval = max(params.RequestedPublishingInterval or 0.0, FASTEST_MS)
        return await super().create_subscription(params, callback, request_callback)

    async def create_monitored_items(self, params: Any) -> Any:
        self.items += len(params.ItemsToCreate)
        if self.external and self.items > ITEMS:
            self.items -= len(params.ItemsToCreate)
            raise ServiceError(ua.StatusCodes.BadTooManyMonitoredItems)
        return await super().create_monitored_items(params)

    async def delete_monitored_items(self, params: Any) -> Any:
        self.items -= min(self.items, len(params.MonitoredItemIds))
        return await super().delete_monitored_items(params)

    async def read(self, params: Any) -> Any:
        self._few(params.NodesToRead)
        return await super().read(params)

    async def browse(self, params: Any) -> Any:
        self._few(params.NodesToBrowse)
        return await super().browse(params)

    async def call(self, params: Any) -> Any:
        self._few(params)
        token = asking.set(self.user)
        try:
            return await super().call(params)
        finally:
            asking.reset(token)

    def _few(self, nodes: Any) -> None:
        if self.external and len(nodes or ()) > OPERATIONS:
            raise ServiceError(ua.StatusCodes.BadTooManyOperations)


class Inside(InternalServer):
    """The library's inner server with our sessions and bounds."""

    def __init__(self, users: Users) -> None:
        super().__init__(user_manager=users)
        self.max_connections, self.max_subscriptions = CONNECTIONS, SUBSCRIPTIONS
        self.max_monitored_item_queue_size, self.max_unacked_messages_per_subscription = QUEUE, QUEUE
        self.max_pending_messages_per_connection, self.max_pending_activation_seconds = 100, 10.0
        InternalSession.max_connections = SESSIONS

    def create_session(self, name: str, user: User = User(), external: bool = False) -> InternalSession:  # noqa: B008
        if external and len(self._external_sessions) >= SESSIONS:
            raise ServiceError(ua.StatusCodes.BadTooManySessions)
        return Session(self, self.aspace, self.subscription_service, name, user=user, external=external)


class Processor(UaProcessor):
    """The protocol, with nothing but discovery for who is not encrypted or not logged in."""

    unencrypted = False

    async def _process_message(self, typeid: Any, requesthdr: Any, seqhdr: Any, body: Any) -> Any:
        plain = isinstance(self._connection.security_policy, SecurityPolicyNone)
        if plain and not self.unencrypted and typeid not in _DISCOVERY:
            raise ServiceError(ua.StatusCodes.BadSecurityPolicyRejected)
        if typeid in _NEVER:
            raise ServiceError(ua.StatusCodes.BadServiceUnsupported)
        if typeid not in _BEFORE and (self.session is None or not self.session.is_activated()):
            raise ServiceError(ua.StatusCodes.BadSessionNotActivated)
        if typeid == _CREATE and self.session is not None and self.session.state != SessionState.Closed:
            raise ServiceError(ua.StatusCodes.BadTooManySessions)   # the library would forget the first, and count it
        return await super()._process_message(typeid, requesthdr, seqhdr, body)


class Protocol(OPCUAProtocol):
    """One connection; what is no message of the protocol ends it before it is kept."""

    unencrypted = False

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        if self.transport is not None:      # else there were too many
            processor = Processor(self.iserver, self.transport, self.limits)
            processor.unencrypted = self.unencrypted
            processor.set_policies(self.policies)
            self.processor = processor

    def data_received(self, data: bytes) -> None:
        head = (self._buffer + data)[:8]
        if len(head) == 8 and (head[:3] not in KINDS or not 8 < int.from_bytes(head[4:], "little") <= CHUNK):
            logging.getLogger("asyncua.guard").warning("%s sends what is no message of OPC UA", self.peer_name)
            if self.transport is not None:
                self.transport.abort()
            return
        super().data_received(data)


class _Listener(BinaryServer):
    unencrypted = False

    def _make_protocol(self) -> OPCUAProtocol:
        made = Protocol(self.iserver, self._policies, self.clients, self.closing_tasks, self.limits)
        made.unencrypted = self.unencrypted
        return made


class GuardedServer(Server):
    """The library's server over our inner one and our listener."""

    def __init__(self, inside: Inside, *, unencrypted: bool) -> None:
        super().__init__(iserver=inside)
        self._unencrypted = unencrypted
        self.limits.max_message_size, self.limits.max_chunk_count = MESSAGE, MESSAGE // CHUNK + 1

    async def start(self) -> None:
        await self._setup_server_nodes()
        await self.iserver.start()
        host, port = self._get_bind_socket_info()
        listener = _Listener(self.iserver, host or "127.0.0.1", port or 0, self.limits)
        listener.unencrypted = self._unencrypted
        listener.set_policies(self._policies)
        try:
            await listener.start()
        except OSError:
            await self.iserver.stop()
            raise
        self.bserver = listener


def trusted(folder: str | None) -> Callable[..., Any] | None:
    """Lets only programs in whose certificate lies in the folder (PEM or DER); None: every program, users log in."""
    if folder is None:
        return None
    known = {_der(p) for p in Path(folder).iterdir() if p.suffix in (".pem", ".der", ".crt")}

    async def validate(certificate: Any, description: Any) -> None:
        await asyncio.sleep(0)
        if uacrypto.der_from_x509(certificate) not in known:
            raise ServiceError(ua.StatusCodes.BadCertificateUntrusted)

    return validate


class Refusals(logging.Handler):
    """What the library logs of clients, as a sentence a minute, without its insides."""

    def __init__(self, say: Callable[[str], None]) -> None:
        super().__init__(logging.WARNING)
        self._say, self._quiet_until, self._left_out = say, 0.0, 0

    def emit(self, record: logging.LogRecord) -> None:
        now = time.monotonic()
        if now < self._quiet_until:
            self._left_out += 1
            return
        more = f" ({self._left_out} more since)" if self._left_out else ""
        self._quiet_until, self._left_out = now + 60.0, 0
        said = " ".join("".join(c if c.isprintable() else " " for c in record.getMessage()).split())[:200]
        self._say(f"OPC UA: a client is refused: {said}{more}")
