"""Messages from an MQTT 5 broker, and ours to it, over one persistent session.

    network thread (the only one that touches paho)      any other thread
    socket -> queue of Message ------------------------>  take()
    PUBACK <- acknowledgements <------------------------  ack(), after the commit
    PUBLISH <- outbox <---------------------------------  publish() -> Delivery

Nothing is lost at QoS 1: the broker keeps a message until it is acknowledged, sends no more than
`queue_limit` unacknowledged ones (Receive Maximum), and sends them again after a reconnect. The
network thread never waits for `take`, so keep-alive goes on however long the store is busy. The
broker's own queue has a limit too (mosquitto: `max_queued_messages`, 1,000 unless raised).
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from random import Random
from types import TracebackType
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor.errors import BrokerError
from monitor.ingest.gathered import GatheredSocket, GatheringClient, Plain
from monitor.ingest.mqtt_outbox import Delivery, Outbox
from monitor.ingest.mqtt_parts import (
    FOR_GOOD,
    TAKEN_OVER,
    Backoff,
    Counters,
    Link,
    LinkState,
    Message,
    address,
    check_filter,
    check_topic,
    connect_properties,
    loss,
    make_client,
    refusal,
    subscriptions,
    unreachable,
)
from monitor.settings import BrokerSettings

__all__ = ["Delivery", "Link", "LinkState", "Message", "MqttSource"]

START_REFUSALS = 3      # refusals in a row, with never a connection, that are taken as final
SETTLED_S = 10.0        # a connection that lasted this long starts the back-off anew
SHORT_LIVES = 3         # accepted connections lost sooner than that, in a row, which are no chance
LEAST_ROOM = 256        # unacknowledged messages asked for although the queue is nearly full
BURST = 200             # packets handled before the other work gets its turn
FLUSH_S = 1.0           # what close() gives waiting publications and acknowledgements
CLOSE_S = 2.0           # what close() takes at most


class MqttSource:
    """Subscribes to `topics` at QoS 1 and holds what comes until it is taken and acknowledged.

    now: the clock, ns since 1970 UTC, for `Message.arrival`. on_state: called from the network thread
    with a `Link` at each change, never per attempt. will: topic and payload that the broker publishes,
    retained, when this process dies. former: filters of an earlier configuration, which a persistent
    session would go on delivering. why_not: asked before each connection; a sentence ends this source for good, since
    another process has its session. random: jitter of the back-off, seeded from the client id if absent.

    `take` and `check` raise BrokerError where waiting will not mend it: refused at start, or the
    session was taken over by another client. InputError at construction: unusable topic or TLS file.
    """

    def __init__(self, broker: BrokerSettings, topics: Sequence[str], *, now: Callable[[], int],
                 on_state: Callable[[Link], None] | None = None, will: tuple[str, bytes] | None = None,
                 former: Sequence[str] = (), random: Random | None = None,
                 why_not: Callable[[], str | None] = lambda: None) -> None:
        self.broker = broker
        self.counters = Counters()
        self.link = Link(LinkState.CONNECTING, f"not yet connected to {address(broker)}")
        self.heard = 0      # when nothing more was there to be read, by `now`: all that came before is in the queue
        self.more = False   # whether the latest `take` left something
        self.newest = 0     # arrival [ns] of what it took last
        self.away: Mapping[str, str] = {}   # sources behind this one that cannot be reached: a broker knows of none
        self._client = self._prepare(make_client(broker, will))
        self._outbox = Outbox(self._client)
        self._topics = [check_filter(topic) for topic in topics]
        self._former = [check_filter(topic) for topic in dict.fromkeys(former) if topic not in set(topics)]
        self._now, self._on_state, self._why_not = now, on_state, why_not
        self._backoff = Backoff(random or Random(broker.client_id))
        self._queue: deque[Message] = deque()
        self._ready = threading.Condition()
        self._acks: deque[tuple[int, int]] = deque()
        self._asked: dict[int, list[str]] = {}      # SUBSCRIBE packet id -> its filters
        self._accepted = False                      # CONNACK came on the present connection
        self._refusals = 0
        self._began = 0.0                           # of the present attempt, monotonic
        self._short_lives = 0
        self._fatal: str | None = None
        self._closing = threading.Event()
        self._deadline = 0.0
        self._tick = min(1.0, broker.keepalive_s / 4 or 1.0)    # how often keep-alive is looked at, s
        self._wake_in, self._wake_out = socket.socketpair()
        self._wake_in.setblocking(False)
        self._wake_out.setblocking(False)
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)

    def _prepare(self, client: GatheringClient) -> Client:
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_plain = self._on_plain
        client.on_publish = self._on_publish
        return client

    # ---- for other threads

    def __enter__(self) -> MqttSource:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 traceback: TracebackType | None) -> None:
        self.close()

    def take(self, limit: int, timeout: float) -> list[Message]:
        """Up to `limit` messages in order of receipt; waits up to `timeout` seconds for the first."""
        if not self._queue:
            with self._ready:
                self._ready.wait_for(lambda: self._queue or self._fatal, timeout)
        taken = [self._queue.popleft() for _ in range(min(limit, len(self._queue)))]
        if not taken:
            self.check()
            self.more = False
            return taken
        self.more, self.newest = len(taken) == limit, taken[-1].arrival
        return taken

    def ack(self, messages: Sequence[Message]) -> None:
        """Tells the broker that these are safe. Give them in the order in which `take` gave them
        (MQTT 5.0, 4.6.0-2); those of an older connection are dropped: they will come again."""
        self._acks.extend((m.generation, m.mid) for m in messages if m.qos)
        self._wake()

    def publish(self, topic: str, payload: bytes, qos: int = 1, retain: bool = False) -> Delivery:
        """Queues a publication, whatever the state of the connection; never blocks. ValueError for a
        topic that nobody may publish on; a full outbox or a refusal shows as `Delivery.error`."""
        delivery = self._outbox.put(check_topic(topic), payload, qos, retain)
        self._wake()
        return delivery

    def check(self) -> None:
        """Raises BrokerError where waiting will not mend the connection."""
        if self._fatal is not None:
            raise BrokerError(self._fatal)

    def close(self) -> None:
        """Flushes for a second, then says goodbye (DISCONNECT 0x00: no will). The session stays at the
        broker. Takes two seconds at most; may be called twice."""
        self._deadline = time.monotonic() + FLUSH_S
        self._closing.set()
        self._wake()
        if self._thread.ident is None:
            self._close_wake()
        elif threading.current_thread() is not self._thread:
            self._thread.join(CLOSE_S)
        self._outbox.close()

    def _wake(self) -> None:
        with contextlib.suppress(OSError):      # full: it is awake already; closed: nobody is there to wake
            self._wake_in.send(b"\0")

    def _close_wake(self) -> None:
        self._wake_in.close()
        self._wake_out.close()

    # ---- network thread: life of the connection

    def _run(self) -> None:
        try:
            while not self._closing.is_set() and self._fatal is None:
                self._attempt()
                if self._fatal is None:
                    self._closing.wait(self._backoff.next())
        finally:
            self._close_wake()
            self._tell(LinkState.CLOSED, self._fatal or "closed")

    def _attempt(self) -> None:
        """One connection from CONNECT to its end. Whatever goes wrong ends this connection only."""
        self._began = time.monotonic()
        try:
            if self._open():
                self._serve()
        except Exception as error:  # noqa: BLE001  # top of the thread: a fault must not silence the monitor for good
            self._tell(LinkState.DISCONNECTED, f"the connection failed: {type(error).__name__}: {error}")
        finally:
            self._accepted = False
            self._hang_up()
        if self._lasted():
            self._backoff.reset()

    def _lasted(self) -> bool:
        return time.monotonic() - self._began > SETTLED_S

    def _open(self) -> bool:
        reason = self._why_not()
        if reason is not None:
            self._end(reason)
            return False
        limit, waiting = self.broker.queue_limit, len(self._queue)
        if waiting >= limit:    # left from older connections, and the broker would send them all again
            self._tell(LinkState.DISCONNECTED, f"{waiting} messages must be stored before more are asked for")
            return False
        room = max(limit - waiting, min(LEAST_ROOM, limit))
        try:
            # Never a clean start: the session of the run before holds what was published meanwhile.
            self._client.connect(self.broker.host, self.broker.port, self.broker.keepalive_s, clean_start=False,
                                 properties=connect_properties(self.broker, room))
        except (OSError, ValueError) as error:      # ValueError: a host name that cannot be one
            self._tell(LinkState.DISCONNECTED, unreachable(self.broker, error))
            return False
        return True

    def _serve(self) -> None:
        client = self._client
        sock = client.socket()
        if not isinstance(sock, GatheredSocket):    # lost while CONNECT was written
            return
        goodbye = False
        with selectors.DefaultSelector() as selector:
            selector.register(self._wake_out, selectors.EVENT_READ)
            while self._holds(sock):
                sock.flush()
                self._await(selector, sock)
                self._work()
                if self._closing.is_set():
                    now = time.monotonic()
                    if now > self._deadline + FLUSH_S / 2:
                        return
                    if not goodbye and (self._idle() or now > self._deadline):
                        goodbye = True
                        client.disconnect()

    def _holds(self, sock: GatheredSocket) -> bool:
        return self._client.socket() is sock

    def _await(self, selector: selectors.BaseSelector, sock: GatheredSocket) -> None:
        """Waits until there is something to do; empties the wake-up socket."""
        writes = self._client.want_write() or sock.unsent
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if writes else 0)
        registered = selector.get_map().get(sock)
        if registered is None:
            selector.register(sock, wanted)
        elif registered.events != wanted:
            selector.modify(sock, wanted)
        ready, hurry = selector.select(0), self._hurry(sock)
        if not hurry and not any(key.fileobj is sock and events & selectors.EVENT_READ for key, events in ready):
            self.heard = self._now()
        if not ready and not hurry:
            ready = selector.select(FLUSH_S / 20 if self._closing.is_set() else self._tick)
        for key, _ in ready:
            if key.fileobj is self._wake_out:
                self._wake_out.recv(4096)

    def _hurry(self, sock: GatheredSocket) -> bool:
        """Whether there is work that no selector sees: bytes read already, acknowledgements left over."""
        return bool(sock.pending() or (self._acks and self._accepted and not self._client.want_write()))

    def _work(self) -> None:
        client = self._client
        if client.want_write():
            client.loop_write()
        self._read()
        client.loop_misc()      # keep-alive
        if self._accepted:
            self._send_acks()
            self._outbox.send()

    def _idle(self) -> bool:
        return not self._accepted or (not self._acks and self._outbox.empty)

    def _hang_up(self) -> None:
        sock = self._client.socket()
        if sock is not None:
            sock.close()

    def _read(self) -> None:
        """Reads while messages come, so that one wait serves many of them."""
        first = self.counters.received
        for _ in range(BURST):
            before = self.counters.received
            if self._client.loop_read() or self.counters.received == before:
                break
        if self.counters.received > first:
            with self._ready:
                self._ready.notify()

    def _send_acks(self) -> None:
        client, counters = self._client, self.counters
        for _ in range(min(BURST, len(self._acks))):
            if client.want_write() or client.socket() is None:
                return
            generation, mid = self._acks.popleft()
            if generation == counters.generation:
                client.ack(mid, 1)
            else:
                counters.stale_acks += 1

    # ---- network thread: what paho calls

    def _on_connect(self, client: Client, _userdata: Any, flags: ConnectFlags, reason: ReasonCode,
                    properties: Properties | None) -> None:
        if reason.is_failure:
            self._refuse(reason)
            return
        self.counters.generation += 1
        self._accepted = True
        self._outbox.connected(properties)
        if self._former and flags.session_present:
            client.unsubscribe(self._former)
        for packet in subscriptions(self._topics):
            _, mid = client.subscribe(packet)
            if mid is not None:
                self._asked[mid] = [topic for topic, _ in packet]
        self._tell(LinkState.CONNECTED, f"connected to {address(self.broker)}")

    def _refuse(self, reason: ReasonCode) -> None:
        sentence = refusal(self.broker, reason)
        self._refusals += 1
        if not self.counters.generation and reason.value in FOR_GOOD and self._refusals >= START_REFUSALS:
            self._end(sentence)
        self._tell(LinkState.REFUSED, sentence)

    def _on_disconnect(self, _client: Client, _userdata: Any, flags: DisconnectFlags, reason: ReasonCode,
                       _properties: Properties | None) -> None:
        if self._closing.is_set() or (self.link.state is LinkState.REFUSED and not self._accepted):
            return
        from_broker = flags.is_disconnect_packet_from_server
        sentence = loss(self.broker, reason, from_broker, self._accepted)
        if self._accepted:
            self._short_lives = 0 if self._lasted() else self._short_lives + 1
        if self._short_lives >= SHORT_LIVES:    # mosquitto 2.0 does not say that another took the session over
            sentence += (f", as were those before it, each within {SETTLED_S:g} s of being accepted; "
                         f"does another client use our client id {self.broker.client_id!r}?")
        self._accepted = False
        self._asked.clear()
        if from_broker and reason.value == TAKEN_OVER:
            self._end(sentence)
        self._tell(LinkState.DISCONNECTED, sentence)

    def _on_subscribe(self, _client: Client, _userdata: Any, mid: int, reasons: list[ReasonCode],
                      _properties: Properties | None) -> None:
        topics = self._asked.pop(mid, [])
        refused = [f"{topic} ({reason})" for topic, reason in zip(topics, reasons, strict=False) if reason.value != 1]
        if refused:
            self._tell(LinkState.CONNECTED, f"{address(self.broker)} does not grant QoS 1 on: {', '.join(refused)}")

    def _on_message(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        """What is not plain: of a topic by number, with properties, or of no text."""
        try:
            topic = message.topic
        except UnicodeDecodeError:
            self.counters.received += 1
            self.counters.malformed += 1
            self._acks.append((self.counters.generation, message.mid))
            return
        self._on_plain(Plain(topic, bytes(message.payload), message.retain, message.mid, message.qos))

    def _on_plain(self, came: Plain) -> None:
        counters = self.counters
        counters.received += 1
        if not came.qos and len(self._queue) >= self.broker.queue_limit:
            counters.overflow += 1
            return
        topic, payload, retain, mid, qos = came
        self._queue.append(Message(topic, payload, retain, self._now(), counters.generation, mid, qos))

    def _on_publish(self, _client: Client, _userdata: Any, mid: int, reason: ReasonCode,
                    _properties: Properties | None) -> None:
        self._outbox.confirmed(mid, reason)

    def _end(self, sentence: str) -> None:
        with self._ready:
            self._fatal = sentence
            self._ready.notify_all()

    def _tell(self, state: LinkState, reason: str) -> None:
        link = Link(state, reason)
        if link == self.link:
            return
        self.link = link
        if self._on_state is not None:
            try:
                self._on_state(link)
            except Exception:   # noqa: BLE001  # the listener's fault; the connection must outlive it
                self.counters.listener_faults += 1
