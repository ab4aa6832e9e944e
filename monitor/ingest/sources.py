"""Whatever readings come from, as one: the broker's connection, Sparkplug nodes behind it, and the plant's servers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import ExitStack
from types import TracebackType
from typing import TYPE_CHECKING, Self

from monitor.errors import InputError
from monitor.ingest.mqtt import Link, LinkState, Message, MqttSource
from monitor.ingest.no_broker import NoBroker
from monitor.settings import BrokerSettings, Settings
from monitor.skid import Signal, SparkplugPlace

if TYPE_CHECKING:
    from monitor.ingest.plant.plant import Plant
    from monitor.ingest.sparkplug.host import SparkplugHost


def topics_of(settings: Settings) -> list[str]:
    """What has to be subscribed to for all signals."""
    host = _host(_signals(settings))
    plain = dict.fromkeys(s.topic for s in _signals(settings) if s.place is None)
    return [*plain, *(host.topics if host is not None else ())]


class Sources:
    """Opens and closes the broker's connection and the plant's. `take` and `ack` are the daemon's; for what came over
    MQTT `ack` acknowledges what the latest `take` took, whatever became of it here."""

    def __init__(self, mqtt: MqttSource | NoBroker, settings: Settings, now: Callable[[], int],
                 tell: Callable[[str], None], trouble: Callable[[str], None]) -> None:
        """InputError where a library is missing."""
        self._mqtt, self._now = mqtt, now
        self._host, self._plant = _host(_signals(settings)), _plant(settings, now, tell, trouble)
        self._taken: Sequence[Message] = ()
        self._generation = 0
        self._stack = ExitStack()
        self.more = False       # whether the latest `take` left something
        self.newest = 0         # arrival [ns] of what it took last

    @property
    def link(self) -> Link:
        return self._mqtt.link

    @property
    def heard(self) -> int:
        return self._mqtt.heard

    @property
    def away(self) -> Mapping[str, str]:
        """Of each source that has been away for long: what is wrong."""
        return {} if self._plant is None else self._plant.away

    def take(self, limit: int, timeout: float) -> list[Message]:
        """What came, as messages of single signals; waits up to `timeout` seconds for the first. BrokerError as
        `MqttSource.take` raises it."""
        read = self._plant.take(limit) if self._plant is not None else []
        self._taken = self._mqtt.take(limit, 0.0 if read else timeout)
        self.more = len(self._taken) == limit or len(read) == limit
        self.newest = min(part[-1].arrival for part in (self._taken, read) if part) if self._taken or read else 0
        if self._host is None:
            return [*self._taken, *read] if read else list(self._taken)
        return [*self._heard(self._host), *read]

    def _heard(self, host: SparkplugHost) -> Iterable[Message]:
        generation = self._mqtt.counters.generation
        if generation != self._generation:
            self._generation = generation
            host.connected()
        for message in self._taken:
            if host.mine(message):
                yield from host.take(message)
            else:
                yield message
        now = self._now()
        yield from host.pass_time(now)
        if isinstance(self._mqtt, MqttSource) and self._mqtt.link.state is LinkState.CONNECTED:
            for request in host.requests(now):
                self._mqtt.publish(*request, qos=0)

    def ack(self, messages: Sequence[Message]) -> None:
        """To be called when all that the latest `take` gave is safe."""
        del messages
        self._mqtt.ack(self._taken)
        self._taken = ()

    def __enter__(self) -> Self:
        self._stack.enter_context(self._mqtt)
        if self._plant is not None:
            self._stack.enter_context(self._plant)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 traceback: TracebackType | None) -> None:
        self._stack.close()


def _signals(settings: Settings) -> list[Signal]:
    return [signal for skid in settings.skids for signal in skid.signals]


def _host(signals: Sequence[Signal]) -> SparkplugHost | None:
    if not any(isinstance(s.place, SparkplugPlace) for s in signals):
        return None
    try:
        from monitor.ingest.sparkplug.host import SparkplugHost
    except ImportError:
        raise InputError("Sparkplug needs what is not installed: pip install 'bagwright[plant]'") from None
    return SparkplugHost(signals)


def _plant(settings: Settings, now: Callable[[], int], tell: Callable[[str], None],
           trouble: Callable[[str], None]) -> Plant | None:  # fmt: skip
    signals = [s for s in _signals(settings) if s.place is not None and not isinstance(s.place, SparkplugPlace)]
    if not signals:
        return None
    from monitor.ingest.plant.plant import Plant

    return Plant(settings.source, signals, now, tell, trouble, (settings.broker or BrokerSettings()).queue_limit)
