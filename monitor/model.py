"""The words every part shares: settings of a skid, readings, rejections, events.

Pure data. Inside the program pressures are Pa, flows m^3/s, temperatures K, times integer
nanoseconds since 1970 UTC; a reading keeps its transmitter's own unit until the row tier
scales it. `SkidSettings` and its parts are what `monitor.config` makes of a TOML file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

NS = 1_000_000_000
CURVE = 8     # most points of a pump's curve
DAY = 86_400 * NS


class Role(StrEnum):
    """What a signal measures, as written in configuration."""

    INLET_PRESSURE = "inlet-pressure"
    OUTLET_PRESSURE = "outlet-pressure"
    DIFFERENTIAL_PRESSURE = "differential-pressure"
    VESSEL_PRESSURE = "vessel-pressure"
    FLOW = "flow"
    TEMPERATURE = "temperature"
    TURBIDITY = "turbidity"
    LEAK_SENSOR = "leak-sensor"
    PUMP_RUNNING = "pump-running"
    VALVE_POSITION = "valve-position"


class Reporting(StrEnum):
    PERIODIC = "periodic"
    ON_CHANGE = "on-change"


class Quality(IntEnum):
    """Whether a reading can be believed. BAD readings are kept and counted, never used as values. GONE is no reading
    but the word that whatever sends this signal has ended or cannot be reached: silence from then on is certain."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2
    GONE = 3


class Reason(StrEnum):
    """Why something that arrived is in quarantine."""

    UNDECODABLE = "undecodable"          # not a number, not the configured JSON, not text
    UNKNOWN_SIGNAL = "unknown-signal"    # a topic or column that no configured signal has
    NOT_FINITE = "not-finite"            # NaN or infinity
    BAD_QUALITY = "bad-quality"          # the source itself says it cannot be believed
    OUT_OF_RANGE = "out-of-range"        # at or beyond NE 43's failure limits
    BAD_TIME = "bad-time"                # no time, unreadable, without offset, or impossible (far future)
    REPEATED = "repeated"                # same signal and source time once more (a second delivery)
    CONFLICTING = "conflicting"          # same signal and source time, another value
    LATE = "late"                        # older than what was already processed: stored, not fed
    TIME_UNCERTAIN = "time-uncertain"    # no device time and arrived in a burst after an outage
    RETAINED = "retained"                # a retained message: its age is unknown
    TOO_LARGE = "too-large"              # longer than any reading can be
    NO_BIRTH = "no-birth"                # from a Sparkplug node or device whose birth is not known
    SEQUENCE_GAP = "sequence-gap"        # from a Sparkplug node of which something was lost: it may mean another metric
    UNAUTHORISED = "unauthorised"        # a command whose sender is not known


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


class Secret:
    """A password or token. Never shown; `reveal()` hands it to the one library that needs it."""

    __slots__ = ("_value",)

    def __init__(self, value: str) -> None:
        self._value = value

    def reveal(self) -> str:
        return self._value

    def __repr__(self) -> str:
        return "Secret(***)"

    __str__ = __repr__

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Secret) and other._value == self._value

    def __hash__(self) -> int:
        return hash(self._value)


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    host: str = "127.0.0.1"
    port: int = 1883
    client_id: str = "bagwright"
    username: str | None = None
    password: Secret | None = None
    tls: bool = False
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    keepalive_s: int = 30
    session_expiry_s: int = 7 * 86_400
    queue_limit: int = 20_000           # messages held here before reading stops
    prefix: str = "bagwright"           # our own topics: PREFIX/SKID/alarm/KIND, PREFIX/SKID/event, PREFIX/state


@dataclass(frozen=True, slots=True)
class OpcuaServer:
    """An OPC UA server that signals are read from. security: `none`, `sign` or `sign-and-encrypt`."""

    id: str
    url: str
    security: str = "sign-and-encrypt"
    policy: str = "Basic256Sha256"
    cert_file: str | None = None
    key_file: str | None = None
    server_cert_file: str | None = None
    username: str | None = None
    password: Secret | None = None
    sampling_s: float = 1.0
    timeout_s: float = 5.0


@dataclass(frozen=True, slots=True)
class ModbusSettings:
    """A Modbus TCP device that signals are polled from."""

    id: str
    host: str
    port: int = 502
    unit_id: int = 1
    poll_s: float = 1.0
    timeout_s: float = 3.0


@dataclass(frozen=True, slots=True)
class SourceSettings:
    """Where signals come from that do not come over MQTT."""

    opcua: tuple[OpcuaServer, ...] = ()
    modbus: tuple[ModbusSettings, ...] = ()


@dataclass(frozen=True, slots=True)
class StoreSettings:
    path: str = "bagwright.db"
    retention_days: float = 400.0       # packed readings
    quarantine_rows: int = 100_000      # bound on what is kept word for word; counts go on
    outbox_limit: int = 2_000_000_000   # bytes of readings that may wait for a database; older ones are given up


@dataclass(frozen=True, slots=True)
class WebhookSettings:
    """id: its name in rules; a webhook that no rule names is told of every event. envelope: `plain` or
    `cloudevents`."""

    url: str
    secret: Secret | None = None
    id: str | None = None
    envelope: str = "plain"


@dataclass(frozen=True, slots=True)
class ServiceSettings:
    """Mail, text or chat, reached through one Apprise address, which is a secret as a whole."""

    id: str
    address: Secret


@dataclass(frozen=True, slots=True)
class Hours:
    """A part of the week: days 0 (Monday) to 6, minutes of the day; `end` at or before `start` is on the next day."""

    days: tuple[int, ...]
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class RuleSettings:
    """Who is told what, and when: of alarms of at least `priority` (and of `kinds` and `skids`, where given), within
    `hours`, when nobody has acknowledged for `after_s`. returned: also when the condition is over."""

    id: str
    channels: tuple[str, ...]
    kinds: tuple[str, ...] = ()
    priority: str = "low"
    skids: tuple[str, ...] = ()
    hours: tuple[Hours, ...] = ()
    timezone: str = "UTC"
    after_s: float = 0.0
    returned: bool = False


@dataclass(frozen=True, slots=True)
class InfluxSettings:
    url: str
    org: str = ""
    bucket: str = "bagwright"
    token: Secret | None = None


@dataclass(frozen=True, slots=True)
class SqlSettings:
    """An outside PostgreSQL. tls: only an encrypted connection to a server whose certificate is good for its name."""

    host: str = "127.0.0.1"
    port: int = 5432
    database: str = "bagwright"
    username: str = "bagwright"
    password: Secret | None = None
    tls: bool = False
    ca_file: str | None = None      # whose certificates are good; None: those that the system trusts
    schema: str = "bagwright"


@dataclass(frozen=True, slots=True)
class NotifySettings:
    webhooks: tuple[WebhookSettings, ...] = ()
    influx: InfluxSettings | None = None
    services: tuple[ServiceSettings, ...] = ()
    rules: tuple[RuleSettings, ...] = ()
    sql: SqlSettings | None = None


@dataclass(frozen=True, slots=True)
class CommandSettings:
    """Who may act from outside. token: for HTTP, and to sign commands over MQTT; mqtt: `off`, `signed` or `trusted`
    (whoever the broker lets publish there)."""

    token: Secret | None = None
    mqtt: str = "off"


@dataclass(frozen=True, slots=True)
class WebUser:
    """Somebody, or a program, that the page knows by a token. role: `look`, or `act`, which looks too."""

    name: str
    role: str
    token: Secret


@dataclass(frozen=True, slots=True)
class WebSettings:
    """names: under which people reach the page besides its own. proxy: address of the one that brings TLS. With users
    log-in is needed, without them everybody may act."""

    host: str = "127.0.0.1"
    port: int = 8321
    address: str | None = None          # where people reach the page, for links; None: host and port
    names: tuple[str, ...] = ()
    users: tuple[WebUser, ...] = ()
    proxy: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    timezone: str = "UTC"               # whose clocks reports go by, a name of the IANA database
    cases: str | None = None            # a folder of cases, whose labels are then confirmed on the page


@dataclass(frozen=True, slots=True)
class OpcuaUser:
    """Somebody who logs in at the OPC UA server, by password or by certificate. role: `look`, or `act`."""

    name: str
    role: str
    password: Secret | None = None
    cert_file: str | None = None


@dataclass(frozen=True, slots=True)
class OpcuaSettings:
    """An OPC UA server for control rooms. anonymous: who does not log in may look; unencrypted: also offers an endpoint
    without security. trusted: a folder of certificates; only programs that have one of them come in."""

    host: str = "127.0.0.1"
    port: int = 4840                # IANA: opcua-tcp
    users: tuple[OpcuaUser, ...] = ()
    anonymous: bool = False
    unencrypted: bool = False
    cert_file: str | None = None    # None: one is made beside the store
    key_file: str | None = None
    trusted: str | None = None


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


@dataclass(frozen=True, slots=True)
class FleetSettings:
    """Many machines: how many shards (for ever), and the database of them all, as `postgresql://...`."""

    shards: int = 16
    database: Secret | None = None


@dataclass(frozen=True, slots=True)
class Settings:
    """A configuration file or folder: the skids, and what the daemon needs besides."""

    skids: tuple[SkidSettings, ...]
    broker: BrokerSettings = BrokerSettings()
    store: StoreSettings = StoreSettings()
    notify: NotifySettings = NotifySettings()
    web: WebSettings = WebSettings()
    command: CommandSettings = CommandSettings()
    fleet: FleetSettings = FleetSettings()
    opcua: OpcuaSettings | None = None
    source: SourceSettings = SourceSettings()


class Rows(NamedTuple):
    """Readings of one skid as arrays of equal length, in order of arrival unless said otherwise."""

    time: npt.NDArray[np.int64]      # ns since 1970 UTC
    signal: npt.NDArray[np.int16]    # index into SkidSettings.signals
    value: npt.NDArray[np.float64]   # in the signal's own unit; NaN where quality is BAD and no value came
    quality: npt.NDArray[np.uint8]   # Quality

    @classmethod
    def empty(cls) -> Rows:
        return cls(np.empty(0, np.int64), np.empty(0, np.int16), np.empty(0), np.empty(0, np.uint8))

    @classmethod
    def concat(cls, parts: list[Rows]) -> Rows:
        if not parts:
            return cls.empty()
        if len(parts) == 1:
            return parts[0]
        times, signals, values, qualities = zip(*parts, strict=True)
        return cls(np.concatenate(times), np.concatenate(signals), np.concatenate(values), np.concatenate(qualities))

    def take(self, index: Any) -> Rows:
        """Rows at a slice, mask or index array."""
        return Rows(self.time[index], self.signal[index], self.value[index], self.quality[index])

    @property
    def size(self) -> int:
        return int(self.time.size)


@dataclass(frozen=True, slots=True)
class Rejection:
    """Something that arrived and is not fed: kept with its reason."""

    reason: Reason
    skid: str | None
    signal: str | None          # id where known, else None
    where: str                  # "file.csv:123", or the MQTT topic
    text: str                   # what came, shortened to 200 characters
    time: int | None = None     # source time in ns where one could be read
    note: str = ""              # one clause for a person: what was wrong, what is accepted


class Transition(StrEnum):
    RAISED = "raised"
    CLEARED = "cleared"
    NOTED = "noted"


@dataclass(frozen=True, slots=True)
class Event:
    """What the engine says. Values in the contract's units (bar, 1, min, h)."""

    time: int
    skid: str
    kind: str
    transition: Transition
    message: str
    vessel: str | None = None
    signal: str | None = None
    detail: str | None = None
    grade: str | None = None
    value: float | None = None
    unit: str | None = None
    onset: int | None = None
    evidence: dict[str, Any] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """The same event gets the same id however often it is computed."""
        return "/".join((self.skid, self.kind, self.vessel or "-", self.signal or "-", self.transition, str(self.time)))


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of the journal: what moved an alarm, or what a person wrote. `id` is the same however often it is
    computed. time: event time, ns. before, after: what the alarm showed; None for what is no alarm. via: how an
    action came; event: id of the event that it goes back to."""

    id: str
    time: int
    skid: str | None
    step: str
    kind: str | None = None
    vessel: str | None = None
    signal: str | None = None
    before: str | None = None
    after: str | None = None
    who: str = ""
    via: str = ""
    why: str = ""
    event: str | None = None
    priority: str | None = None


@dataclass(frozen=True, slots=True)
class Fact:
    """Something learned that outlives upgrades: a clean reference, an element's life, a zero trim.

    `value` is anything JSON can hold. The newest `time` (event time, ns) of a key is in force, older ones are its
    history.
    """

    skid: str
    key: str
    value: Any
    time: int


@dataclass(frozen=True, slots=True)
class Action:
    """What an operator did that the engine must know. `time`: event time [ns] at which it takes effect; `number` rises
    with each action of a store, so that none is applied twice. `reason`: the operator's own words."""

    time: int
    skid: str
    verb: str
    by: str
    reason: str = ""
    body: dict[str, Any] = field(default_factory=dict)
    number: int = 0


class Minute(NamedTuple):
    """Roll-up of one minute of a skid; NaN where unknown. SI units."""

    time: int                   # start of the minute, ns
    inlet: float
    outlet: float
    pressure_drop: float
    flow: float
    temperature: float
    normalised: float           # pressure drop at reference flow and temperature
    judged: bool                # whether normalised could be judged throughout
