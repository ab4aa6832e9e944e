"""What the configuration says of everything else: broker, sources, store, who is told, page, fleet.

`monitor.config` makes these of the tables that all files share.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.skid import SkidSettings


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
    address: str | None = None          # where people reach the page, for links; None: by name or host, and port
    names: tuple[str, ...] = ()
    users: tuple[WebUser, ...] = ()
    proxy: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    timezone: str = "UTC"               # whose clocks reports go by, a name of the IANA database
    cases: str | None = None            # a folder of cases, whose labels are then confirmed on the page

    @property
    def url(self) -> str:
        """Where people reach the page, for links, without a slash at its end."""
        if self.address:
            return self.address.rstrip("/")
        everywhere = self.host in {"0.0.0.0", "::"}  # noqa: S104 - compared, not listened to
        host = self.names[0] if everywhere and self.names else self.host
        return f"{'https' if self.cert_file else 'http'}://{f'[{host}]' if ':' in host else host}:{self.port}"


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
class FleetSettings:
    """Many machines: how many shards (for ever), and the database of them all, as `postgresql://...`."""

    shards: int = 16
    database: Secret | None = None


@dataclass(frozen=True, slots=True)
class Settings:
    """A configuration file or folder: the skids, and what the daemon needs besides."""

    skids: tuple[SkidSettings, ...]
    broker: BrokerSettings | None = BrokerSettings()    # None: nothing is read or told over MQTT
    store: StoreSettings = StoreSettings()
    notify: NotifySettings = NotifySettings()
    web: WebSettings = WebSettings()
    command: CommandSettings = CommandSettings()
    fleet: FleetSettings = FleetSettings()
    opcua: OpcuaSettings | None = None
    source: SourceSettings = SourceSettings()
