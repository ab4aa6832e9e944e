"""What the configuration says of a skid: signals and where they are read, elements, limits and delays.

Pressures Pa, flows m^3/s, temperatures K, times s. `monitor.config` makes these of a TOML file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from monitor.model import Role

CURVE = 8     # most points of a pump's curve


class Reporting(StrEnum):
    PERIODIC = "periodic"
    ON_CHANGE = "on-change"


class PayloadFormat(StrEnum):
    AUTO = "auto"          # a plain number, or a JSON object with the usual field names
    NUMBER = "number"      # strictly a plain number
    JSON = "json"
    MILLIAMP = "milliamp"  # a plain number in mA, 4-20 mA over the range


class TimeFormat(StrEnum):
    AUTO = "auto"          # RFC 3339 text, or epoch by magnitude
    RFC3339 = "rfc3339"
    EPOCH_S = "s"
    EPOCH_MS = "ms"
    EPOCH_US = "us"
    EPOCH_NS = "ns"


@dataclass(frozen=True, slots=True)
class Payload:
    """How a signal's messages are read. Field names may be dotted paths into nested objects."""

    format: PayloadFormat = PayloadFormat.AUTO
    value_field: str | None = None      # None: value, v
    time_field: str | None = None       # None: time, timestamp, ts, t
    quality_field: str | None = None    # None: quality, q, status
    time_format: TimeFormat = TimeFormat.AUTO


# What is read by another protocol comes as JSON under an address that stands where MQTT has a topic, in these words.
READ = Payload(PayloadFormat.JSON, "value", "time", "quality", TimeFormat.EPOCH_NS)


@dataclass(frozen=True, slots=True)
class SparkplugPlace:
    """A metric of a Sparkplug B edge node, or of one of its devices. raw: what stands for the ends of the range."""

    group: str
    node: str
    metric: str
    device: str | None = None
    raw: tuple[float, float] | None = None

    @property
    def address(self) -> str:
        return f"sparkplug:{self.group}/{self.node}/{self.device or ''}/{self.metric}"


@dataclass(frozen=True, slots=True)
class OpcuaPlace:
    """A variable of an OPC UA server. source: the server's id. node: NodeId as text."""

    source: str
    node: str
    raw: tuple[float, float] | None = None

    @property
    def address(self) -> str:
        return f"opcua:{self.source}/{self.node}"


@dataclass(frozen=True, slots=True)
class ModbusPlace:
    """Registers, a bit of one, or a contact of a Modbus device. at: from 0, as on the wire. type None: a contact, or a
    bit."""

    source: str
    table: str
    at: int
    type: str | None = None
    word_order: str = "big"
    bit: int | None = None
    raw: tuple[float, float] | None = None

    @property
    def address(self) -> str:
        return f"modbus:{self.source}/{self.table}/{self.at}{'' if self.bit is None else f'.{self.bit}'}"


Place = SparkplugPlace | OpcuaPlace | ModbusPlace


@dataclass(frozen=True, slots=True)
class Signal:
    """One transmitter. SI value = raw * scale + offset, raw in `unit`. place: where it is read when not from a topic;
    `topic` is then its address."""

    id: str
    role: Role
    topic: str
    unit: str
    low: float                  # span of the transmitter, in `unit`
    high: float
    scale: float
    offset: float
    vessel: str | None = None
    reporting: Reporting = Reporting.PERIODIC
    max_silence_s: float | None = None
    payload: Payload = Payload()
    place: Place | None = None


@dataclass(frozen=True, slots=True)
class Element:
    """The filter elements of a skid. Pressures Pa, area m^2, rating m."""

    changeout_dp: float
    max_dp: float
    rating: float | None = None
    area: float | None = None
    clean_dp: float | None = None
    per_vessel: int = 1
    part: str = ""


@dataclass(frozen=True, slots=True)
class Reference:
    """What dP is referred to. flow m^3/s through the whole skid, temperature K."""

    flow: float
    temperature: float
    fluid: str = "water"


@dataclass(frozen=True, slots=True)
class Handling:
    """How a kind of alarm is dealt with: its rationalisation (ISA-18.2 / IEC 62682), latch and times. priority: high,
    medium or low. realarm_s 0: never. respond_within_s: how soon the response is useful."""

    priority: str
    consequence: str
    response: str
    respond_within_s: float
    latching: bool = False
    realarm_s: float = 0.0
    shelve_limit_s: float = 43_200.0


@dataclass(frozen=True, slots=True)
class AlarmSettings:
    """What one kind of alarm is judged by. `limit`, `deadband` in the SI unit of its value
    (fractions stay fractions); keys of one kind only are in `extra`, SI likewise."""

    kind: str
    on_delay_s: float
    off_delay_s: float
    deadband: float
    limit: float | None = None
    settle_s: float = 120.0
    enabled: bool = True
    extra: dict[str, float] = field(default_factory=dict)
    handling: Handling | None = None    # None: as the catalogue of kinds says


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a site's procedure for a changeout. watch: the part of a changeout that it is, which tells what is
    watched beside it; empty: nothing."""

    text: str
    watch: str = ""


@dataclass(frozen=True, slots=True)
class SkidSettings:
    """One skid, ready for the engine. `in_service`: vessels that normally carry flow at once."""

    id: str
    name: str
    vessels: tuple[str, ...]
    in_service: int
    element: Element
    reference: Reference
    signals: tuple[Signal, ...]
    alarms: dict[str, AlarmSettings]
    display_units: dict[str, str]       # quantity ("pressure", "flow", "temperature", "turbidity") -> unit
    lateness_s: float = 2.0             # how long a row may come behind its newest sibling and still be fed
    source: str = ""                    # the file it came from
    procedure: tuple[Step, ...] = ()    # of a changeout; empty: the usual steps
    pump_curve: tuple[tuple[float, float], ...] = ()    # flow [m^3/s] and pressure at the inlet header [Pa] by a pump
                                                        # at full speed; tells flow where no meter does
    roles: dict[Role, tuple[Signal, ...]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        by_role = {s.role: tuple(other for other in self.signals if other.role is s.role) for s in self.signals}
        object.__setattr__(self, "roles", by_role)    # the engine asks for them at every turn

    def index(self, signal_id: str) -> int | None:
        """Position of a signal in `signals`, or None."""
        return next((i for i, s in enumerate(self.signals) if s.id == signal_id), None)

    def with_role(self, role: Role) -> tuple[Signal, ...]:
        return self.roles.get(role, ())
