"""What an MQTT connection is made of: words, hand-over types, waiting times, TLS, sentences.

`monitor.ingest.mqtt` puts them together. Sources: MQTT 5.0 (OASIS, 7 March 2019), sections
named where they matter; its reason codes are table 2-6 (section 2.4).
"""

from __future__ import annotations

import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from random import Random
from typing import NamedTuple, TypeVar

from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.errors import InputError
from monitor.ingest.gathered import GatheringClient
from monitor.model import Reason
from monitor.settings import BrokerSettings

T = TypeVar("T")

LONGEST_TOPIC = 65_535          # bytes of UTF-8, section 4.7.3
LARGEST_PACKET = 256 * 1024     # bytes; far above any reading, so that a full queue stays within memory
UNSUPPORTED_VERSION = 0x84
CREDENTIALS = frozenset({0x86, 0x87})
FOR_GOOD = CREDENTIALS | {UNSUPPORTED_VERSION, 0x85, 0x8A, 0x8C}   # client id, banned, bad method
TAKEN_OVER = 0x8E
NO_ANSWER = 0x8D


class LinkState(StrEnum):
    """Where the connection stands."""

    CONNECTING = "connecting"
    CONNECTED = "connected"
    DISCONNECTED = "disconnected"
    REFUSED = "refused"
    CLOSED = "closed"
    UNUSED = "unused"       # there is no broker


class Link(NamedTuple):
    """State of the connection and the sentence that explains it to a person."""

    state: LinkState
    reason: str

    @property
    def whole(self) -> bool:
        """Whether everything that was sent can reach us."""
        return self.state in (LinkState.CONNECTED, LinkState.UNUSED)


class Message(NamedTuple):
    """One message as it came. `arrival` in ns since 1970 UTC. `generation` numbers the connection it
    came by: the broker uses `mid` again on the next one, so only both together name a message; 0 where it did not come
    by MQTT, or was made of one that did. reason, note: why nothing could be made of it, where that is known already."""

    topic: str
    payload: bytes
    retain: bool
    arrival: int
    generation: int
    mid: int
    qos: int
    reason: Reason | None = None
    note: str = ""


@dataclass(slots=True)
class Counters:
    """Written by the network thread only; anybody may read."""

    received: int = 0       # messages that arrived, those that overflowed included
    overflow: int = 0       # QoS 0 messages dropped because the queue was full
    malformed: int = 0      # messages whose topic is no UTF-8
    stale_acks: int = 0     # acknowledgements of an older connection, dropped
    generation: int = 0     # connections accepted by the broker so far
    listener_faults: int = 0    # exceptions of on_state, swallowed

    @property
    def reconnects(self) -> int:
        return max(0, self.generation - 1)


class Backoff:
    """Seconds to wait before the next attempt: random between `low` and a ceiling that doubles up to
    `high`, so that many monitors do not come back to a restarted broker all at once."""

    def __init__(self, random: Random, *, low: float = 1.0, high: float = 60.0) -> None:
        self._random, self._low, self._high = random, low, high
        self._ceiling = low

    def next(self) -> float:
        self._ceiling = min(self._high, self._ceiling * 2)
        return self._random.uniform(self._low, self._ceiling)

    def reset(self) -> None:
        self._ceiling = self._low


def make_client(broker: BrokerSettings, will: tuple[str, bytes] | None) -> GatheringClient:
    """A paho client for MQTT 5 with acknowledgement in our hands. InputError where TLS files are unusable."""
    client = GatheringClient(CallbackAPIVersion.VERSION2, broker.client_id, protocol=MQTTProtocolVersion.MQTTv5,
                             manual_ack=True)
    client.suppress_exceptions = True
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password.reveal() if broker.password else None)
    if broker.tls:
        client.tls_set_context(tls_context(broker))
    if will is not None:
        client.will_set(check_topic(will[0]), will[1], qos=1, retain=True)
    return client


def connect_properties(broker: BrokerSettings, room: int) -> Properties:
    """Properties of CONNECT. `room`: how many QoS 1 messages may wait here unacknowledged; the broker
    sends no more than that (section 3.1.2.11.3), which is the back-pressure."""
    properties = Properties(PacketTypes.CONNECT)     # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = broker.session_expiry_s
    properties.ReceiveMaximum = max(1, min(room, 65_535))
    properties.MaximumPacketSize = LARGEST_PACKET
    return properties


def subscriptions(topics: Sequence[str], size: int = 200) -> list[list[tuple[str, SubscribeOptions]]]:
    """Topic filters in packets of `size`, each at QoS 1; retained messages only where the subscription
    is new (retain handling 1, section 3.8.3.1), so that a reconnect does not repeat them."""
    options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
    pairs = [(topic, options) for topic in dict.fromkeys(topics)]
    return [pairs[i:i + size] for i in range(0, len(pairs), size)]


def tls_context(broker: BrokerSettings) -> ssl.SSLContext:
    """Trust and own certificate as configured. InputError names the key and file that cannot be used."""
    context = _tls_step("broker.ca_file", broker.ca_file, "PEM certificates of the authority that signed the broker's",
                        lambda: ssl.create_default_context(cafile=broker.ca_file))
    context.sslsocket_class = _TlsSocket
    if broker.cert_file is not None:
        cert, key = broker.cert_file, broker.key_file
        # An empty password makes OpenSSL fail on an encrypted key; without one it would ask on the terminal.
        _tls_step("broker.cert_file, broker.key_file", " and ".join(filter(None, (cert, key))),
                  "a PEM certificate and its private key without a pass phrase",
                  lambda: context.load_cert_chain(cert, key, password=""))
    return context


class _TlsSocket(ssl.SSLSocket):
    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()    # paho 2.2 leaves the socket of a failed handshake open
            raise


def _tls_step(key: str, path: str | None, accepted: str, step: Callable[[], T]) -> T:
    try:
        return step()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{key}: cannot use {path}: {reason}; accepted: {accepted}") from error


def check_topic(topic: str) -> str:
    """The topic, or ValueError where no message may be published on it (section 4.7)."""
    if not topic or "\0" in topic or "+" in topic or "#" in topic:
        raise ValueError(f"{topic!r} is no topic to publish on: it is empty or holds +, # or NUL")
    if len(topic.encode()) > LONGEST_TOPIC:
        raise ValueError(f"a topic of more than {LONGEST_TOPIC} bytes: {topic[:40]!r}...")
    return topic


def check_filter(text: str) -> str:
    """The topic filter, or InputError where a broker would drop the connection for it (section 4.7.1)."""
    levels = text.split("/")
    shared_badly = levels[0] == "$share" and (len(levels) < 3 or not levels[1] or not levels[2] + "".join(levels[3:]))
    misplaced = any(("#" in level and (level != "#" or i < len(levels) - 1)) or ("+" in level and level != "+")
                    for i, level in enumerate(levels))
    surrogate = any("\ud800" <= c <= "\udfff" for c in text)
    if not text or "\0" in text or surrogate or misplaced or shared_badly or len(text.encode()) > LONGEST_TOPIC:
        raise InputError(f"topic: found {text[:80]!r}; accepted: levels parted by /, + for one whole level, "
                         f"# as the last level, at most {LONGEST_TOPIC} bytes")
    return text


def address(broker: BrokerSettings) -> str:
    return f"the broker at {broker.host}:{broker.port}"


def unreachable(broker: BrokerSettings, error: Exception) -> str:
    """Sentence for a connection that did not come about."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return (f"{address(broker)} shows a certificate that is not trusted: {error.verify_message}; "
                "check broker.ca_file and broker.host")
    if isinstance(error, ssl.SSLError):
        return (f"{address(broker)} and this client do not agree on TLS: {error.reason or error}; "
                "check broker.tls and broker.port")
    reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
    advice = "; check broker.tls and broker.port" if isinstance(error, ConnectionResetError) else ""
    return f"{address(broker)} cannot be reached: {reason}{advice}"


def refusal(broker: BrokerSettings, reason: ReasonCode) -> str:
    """Sentence for a CONNACK that says no. Never holds the password."""
    advice = ""
    if reason.value in CREDENTIALS:
        advice = "; check broker.username, broker.password and what the broker lets this user do"
    if reason.value == UNSUPPORTED_VERSION:
        advice = "; MQTT 5 is needed"
    return f"{address(broker)} refuses the connection: {reason}{advice}"


def loss(broker: BrokerSettings, reason: ReasonCode, from_broker: bool, accepted: bool) -> str:
    """Sentence for a connection that ended by itself."""
    if from_broker and reason.value == TAKEN_OVER:
        return (f"another client came to {address(broker)} under our client id {broker.client_id!r}; "
                "two monitors must not share one")
    if from_broker:
        return f"{address(broker)} ended the connection: {reason}"
    if reason.value == NO_ANSWER:
        return f"{address(broker)} no longer answers"
    if not accepted:
        return (f"{address(broker)} closed the connection before accepting it; "
                "check broker.tls, broker.cert_file and broker.port")
    return f"the connection to {address(broker)} was lost"
