"""The tables a configuration may hold, as pydantic models over the readers.

Every key is optional to pydantic, so that one bad key does not hide the rest: `read_table` reports what
is wrong or missing and hands back a model with None for what could not be used.
"""

from __future__ import annotations

import math
from enum import StrEnum
from functools import lru_cache
from typing import Annotated, Any, ClassVar, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError, create_model

from monitor.alarms.catalogue import CATALOGUE
from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.kinds import KINDS
from monitor.config.positions import KeyPath
from monitor.config.readers import (
    LONGEST_PATH,
    Bytes,
    Flag,
    Micrometres,
    Names,
    NeverHere,
    PressureOrShare,
    Quantities,
    Quantity,
    Reader,
    SecretFile,
    Span,
    Text,
    Topic,
    Url,
    VariableName,
    Whole,
    Word,
)
from monitor.config.week import WeekHours, ZoneName
from monitor.config.wording import RefusalError, shown
from monitor.model import Role
from monitor.settings import Hours
from monitor.skid import CURVE, PayloadFormat, Reporting, TimeFormat

DAY = 86_400.0
_POSITIVE_PRESSURE = BeforeValidator(Quantity("pressure", "above zero", above=0))
_POSITIVE_TIME = BeforeValidator(Quantity("time", "above zero and at most 400 d", above=0, at_most=400 * DAY))
_DELAY = BeforeValidator(Quantity("time", "from zero to 30 d", at_least=0, at_most=30 * DAY))
_VESSEL = Text("the name of a vessel, without commas or control characters", banned=",")
_FIELD = BeforeValidator(Text("a field's name, or a dotted path to it, as \"data.value\""))
FILE = BeforeValidator(Text("the path of a file", longest=LONGEST_PATH))
SECRET_FILE = BeforeValidator(SecretFile())
HOST = BeforeValidator(Text("a host name or address without port, as \"127.0.0.1\"", banned="/ @,"))
PORT = BeforeValidator(Whole(1, 65_535, "a port"))
VARIABLE = BeforeValidator(VariableName())
FOLDER = BeforeValidator(Text("the path of a folder", longest=LONGEST_PATH))


_CHANNEL = BeforeValidator(Text('a name, as "duty-phone"', banned="/,"))


class Priority(StrEnum):
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class CommandsBy(StrEnum):
    OFF = "off"
    SIGNED = "signed"
    TRUSTED = "trusted"


_HANDLING: dict[str, Reader] = {
    "priority": Word(Priority),
    "consequence": Text("what happens if nobody responds", longest=500),
    "response": Text("what the operator is to do", longest=500),
    "time_to_respond": Quantity("time", "above zero and at most 400 d", above=0, at_most=400 * DAY),
    "re_alarm": Quantity("time", "from zero (never) to 30 d", at_least=0, at_most=30 * DAY),
    "shelve_limit": Quantity("time", "above zero and at most 30 d", above=0, at_most=30 * DAY),
}


class Table(BaseModel):
    """A table; `needed` keys must stand in it."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)
    needed: ClassVar[tuple[str, ...]] = ()


class SkidTable(Table):
    needed = ("id", "vessels", "element", "reference")

    id: Annotated[str | None, BeforeValidator(
        Text('a name without / , + # and control characters, as "intake-1"', banned="/,+#"))] = None
    name: Annotated[str | None, BeforeValidator(Text("a name for people"))] = None
    vessels: Annotated[tuple[str, ...] | None, BeforeValidator(
        Names('different names in pipe order, as ["east", "west"]', _VESSEL))] = None
    in_service: Annotated[int | None, BeforeValidator(Whole(1, 1000, "a number of vessels"))] = None
    lateness: Annotated[float | None, BeforeValidator(
        Quantity("time", "from zero to 1 h", at_least=0, at_most=3600))] = None
    display_units: Any = None
    step: Any = None
    element: Any = None
    reference: Any = None
    pump: Any = None


class DisplayTable(Table):
    pressure: Annotated[str | None, BeforeValidator(Text("a unit of pressure, as \"bar\""))] = None
    flow: Annotated[str | None, BeforeValidator(Text("a unit of volume flow, as \"m^3/h\""))] = None
    temperature: Annotated[str | None, BeforeValidator(Text("a unit of temperature, as \"degC\""))] = None
    turbidity: Annotated[str | None, BeforeValidator(Text("a unit of turbidity, as \"NTU\""))] = None


class ElementTable(Table):
    needed = ("changeout_dp", "max_dp")

    rating_um: Annotated[float | None, BeforeValidator(Micrometres())] = None
    area: Annotated[float | None, BeforeValidator(Quantity("area", "above zero", above=0))] = None
    changeout_dp: Annotated[float | None, _POSITIVE_PRESSURE] = None
    max_dp: Annotated[float | None, _POSITIVE_PRESSURE] = None
    clean_dp: Annotated[float | None, _POSITIVE_PRESSURE] = None
    per_vessel: Annotated[int | None, BeforeValidator(Whole(1, 1000, "a number of elements"))] = None
    part: Annotated[str | None, BeforeValidator(Text("free text", longest=500, may_be_empty=True))] = None


class ReferenceTable(Table):
    needed = ("flow", "temperature")

    flow: Annotated[float | None, BeforeValidator(Quantity("flow", "above zero", above=0))] = None
    # IAPWS R12-08's correlation at 0.1 MPa holds to 110 degC; water that runs through a bag lies within 0-100 degC.
    temperature: Annotated[float | None, BeforeValidator(
        Quantity("temperature", "from 0 to 100 degC", at_least=273.15, at_most=373.15))] = None
    fluid: Annotated[str | None, BeforeValidator(Text("water"))] = None


class PumpTable(Table):
    """Points of a pump's curve at full speed: flow, and the pressure at the inlet header there."""

    needed = ("flow", "pressure")

    flow: Annotated[tuple[float, ...] | None, BeforeValidator(
        Quantities(Quantity("flow", "from zero up", at_least=0), 2, CURVE))] = None
    pressure: Annotated[tuple[float, ...] | None, BeforeValidator(
        Quantities(Quantity("pressure", "above zero", above=0), 2, CURVE))] = None


class SignalTable(Table):
    needed = ("id", "role")  # unit and range too, but for contacts; a topic or a place

    id: Annotated[str | None, BeforeValidator(
        Text('a name without , + # and control characters, as "PT-101"', banned=",+#"))] = None
    role: Annotated[Role | None, BeforeValidator(Word(Role))] = None
    vessel: Annotated[str | None, BeforeValidator(_VESSEL)] = None
    topic: Annotated[str | None, BeforeValidator(Topic())] = None
    unit: Annotated[str | None, BeforeValidator(Text("the transmitter's unit, as \"bar\"", may_be_empty=True))] = None
    range: Annotated[tuple[float, float] | None, BeforeValidator(Span())] = None
    reporting: Annotated[Reporting | None, BeforeValidator(Word(Reporting))] = None
    max_silence: Annotated[float | None, _POSITIVE_TIME] = None
    payload: Any = None
    sparkplug: Any = None
    opcua: Any = None
    modbus: Any = None


class PayloadTable(Table):
    format: Annotated[PayloadFormat | None, BeforeValidator(Word(PayloadFormat))] = None
    value_field: Annotated[str | None, _FIELD] = None
    time_field: Annotated[str | None, _FIELD] = None
    quality_field: Annotated[str | None, _FIELD] = None
    time_format: Annotated[TimeFormat | None, BeforeValidator(Word(TimeFormat))] = None


class BrokerTable(Table):
    host: Annotated[str | None, HOST] = None
    port: Annotated[int | None, PORT] = None
    client_id: Annotated[str | None, BeforeValidator(Text("a client id without control characters"))] = None
    username: Annotated[str | None, BeforeValidator(Text("a user name"))] = None
    password: Annotated[None, BeforeValidator(NeverHere("password"))] = None
    password_env: Annotated[str | None, VARIABLE] = None
    password_file: Annotated[str | None, SECRET_FILE] = None
    tls: Annotated[bool | None, BeforeValidator(Flag())] = None
    ca_file: Annotated[str | None, FILE] = None
    cert_file: Annotated[str | None, FILE] = None
    key_file: Annotated[str | None, FILE] = None
    keepalive: Annotated[float | None, BeforeValidator(
        Quantity("time", "from 1 s to 65535 s", at_least=1, at_most=65_535))] = None
    session_expiry: Annotated[float | None, BeforeValidator(
        Quantity("time", "from zero to 4294967294 s", at_least=0, at_most=4_294_967_294))] = None
    queue_limit: Annotated[int | None, BeforeValidator(Whole(100, 10_000_000, "a number of messages"))] = None
    prefix: Annotated[str | None, BeforeValidator(Topic("the first part of our own topics, without + and #"))] = None


class StoreTable(Table):
    path: Annotated[str | None, FILE] = None
    retention: Annotated[float | None, BeforeValidator(
        Quantity("time", "from 1 d to 36500 d", at_least=DAY, at_most=36_500 * DAY))] = None
    quarantine_rows: Annotated[int | None, BeforeValidator(Whole(0, 100_000_000, "a number of rows"))] = None
    outbox_limit: Annotated[int | None, BeforeValidator(Bytes(10**6, "at least 1 MB"))] = None


class NotifyTable(Table):
    webhook: Any = None
    service: Any = None
    rule: Any = None
    influx: Any = None
    sql: Any = None


class Envelope(StrEnum):
    PLAIN = "plain"
    CLOUDEVENTS = "cloudevents"


class WebhookTable(Table):
    needed = ("url",)

    id: Annotated[str | None, _CHANNEL] = None
    url: Annotated[str | None, BeforeValidator(Url())] = None
    secret: Annotated[None, BeforeValidator(NeverHere("secret"))] = None
    secret_env: Annotated[str | None, VARIABLE] = None
    secret_file: Annotated[str | None, SECRET_FILE] = None
    envelope: Annotated[Envelope | None, BeforeValidator(Word(Envelope))] = None


class InfluxTable(Table):
    needed = ("url",)

    url: Annotated[str | None, BeforeValidator(Url())] = None
    org: Annotated[str | None, BeforeValidator(Text("an organisation's name", may_be_empty=True))] = None
    bucket: Annotated[str | None, BeforeValidator(Text("a bucket's name"))] = None
    token: Annotated[None, BeforeValidator(NeverHere("token"))] = None
    token_env: Annotated[str | None, VARIABLE] = None
    token_file: Annotated[str | None, SECRET_FILE] = None


class SqlTable(Table):
    host: Annotated[str | None, HOST] = None
    port: Annotated[int | None, PORT] = None
    database: Annotated[str | None, BeforeValidator(Text("a database's name"))] = None
    username: Annotated[str | None, BeforeValidator(Text("a user name"))] = None
    password: Annotated[None, BeforeValidator(NeverHere("password"))] = None
    password_env: Annotated[str | None, VARIABLE] = None
    password_file: Annotated[str | None, SECRET_FILE] = None
    tls: Annotated[bool | None, BeforeValidator(Flag())] = None
    ca_file: Annotated[str | None, FILE] = None
    schema_name: Annotated[str | None, BeforeValidator(Text("a schema's name, as \"bagwright\"", longest=63))] = None


class WebRole(StrEnum):
    LOOK = "look"
    ACT = "act"


class Watch(StrEnum):
    """Parts of a changeout beside which something is watched."""

    PREPARE = "prepare"
    ISOLATE = "isolate"
    VENT = "vent"
    PROVE = "prove"
    OPEN = "open"
    FIT = "fit"
    CLOSE = "close"
    FILL = "fill"
    RETURN = "return"
    VERIFY = "verify"


class StepTable(Table):
    needed = ("text",)

    text: Annotated[str | None, BeforeValidator(Text("what is to be done, in a sentence or two", longest=1_000))] = None
    watch: Annotated[Watch | None, BeforeValidator(Word(Watch))] = None


class ServiceTable(Table):
    """A mail, text or chat service; its address holds the keys to it."""

    needed = ("id",)

    id: Annotated[str | None, _CHANNEL] = None
    address: Annotated[None, BeforeValidator(NeverHere("address"))] = None
    address_env: Annotated[str | None, VARIABLE] = None
    address_file: Annotated[str | None, SECRET_FILE] = None


class RuleTable(Table):
    needed = ("id", "channels")

    id: Annotated[str | None, _CHANNEL] = None
    channels: Annotated[tuple[str, ...] | None, BeforeValidator(
        Names('ids of services or webhooks, as ["duty-phone"]', Text("an id")))] = None
    kinds: Annotated[tuple[str, ...] | None, BeforeValidator(
        Names('kinds of alarm, alert or event, as ["dp-limit"]', Text("a kind")))] = None
    priority: Annotated[Priority | None, BeforeValidator(Word(Priority))] = None
    skids: Annotated[tuple[str, ...] | None, BeforeValidator(
        Names('ids of skids, as ["intake-1"]', Text("an id")))] = None
    hours: Annotated[tuple[Hours, ...] | None, BeforeValidator(WeekHours())] = None
    timezone: Annotated[str | None, BeforeValidator(ZoneName())] = None
    after: Annotated[float | None, _DELAY] = None
    returned: Annotated[bool | None, BeforeValidator(Flag())] = None


class CommandTable(Table):
    token: Annotated[None, BeforeValidator(NeverHere("token"))] = None
    token_env: Annotated[str | None, VARIABLE] = None
    token_file: Annotated[str | None, SECRET_FILE] = None
    mqtt: Annotated[CommandsBy | None, BeforeValidator(Word(CommandsBy))] = None


class FleetTable(Table):
    shards: Annotated[int | None, BeforeValidator(Whole(1, 4096, "a number of shards"))] = None
    database: Annotated[None, BeforeValidator(NeverHere("database"))] = None
    database_env: Annotated[str | None, VARIABLE] = None
    database_file: Annotated[str | None, SECRET_FILE] = None


class ServerTable(Table):
    """What serves people."""

    host: Annotated[str | None, HOST] = None
    port: Annotated[int | None, PORT] = None
    cert_file: Annotated[str | None, FILE] = None
    key_file: Annotated[str | None, FILE] = None
    user: Any = None


class WebTable(ServerTable):
    address: Annotated[str | None, BeforeValidator(Url())] = None
    names: Annotated[tuple[str, ...] | None, BeforeValidator(
        Names('host names without port, as ["filters.hatchery.example"]', Text("a host name", banned="/ @,:")))] = None
    proxy: Annotated[str | None, HOST] = None
    timezone: Annotated[str | None, BeforeValidator(ZoneName())] = None
    cases: Annotated[str | None, FOLDER] = None


class UserTable(Table):
    """Who comes to what serves people."""

    needed = ("name", "role")

    name: Annotated[str | None, BeforeValidator(Text("a name for people", longest=60))] = None
    role: Annotated[WebRole | None, BeforeValidator(Word(WebRole))] = None


class WebUserTable(UserTable):
    token: Annotated[None, BeforeValidator(NeverHere("token"))] = None
    token_env: Annotated[str | None, VARIABLE] = None
    token_file: Annotated[str | None, SECRET_FILE] = None


class OpcuaTable(ServerTable):
    anonymous: Annotated[bool | None, BeforeValidator(Flag())] = None
    unencrypted: Annotated[bool | None, BeforeValidator(Flag())] = None
    trusted: Annotated[str | None, BeforeValidator(Text("a folder of certificates", longest=LONGEST_PATH))] = None


class OpcuaUserTable(UserTable):
    password: Annotated[None, BeforeValidator(NeverHere("password"))] = None
    password_env: Annotated[str | None, VARIABLE] = None
    password_file: Annotated[str | None, SECRET_FILE] = None
    cert_file: Annotated[str | None, FILE] = None


class AlarmTable(Table):
    """What every kind may be given; `alarm_table` adds a kind's own keys."""

    enabled: Annotated[bool | None, BeforeValidator(Flag())] = None
    on_delay: Annotated[float | None, _DELAY] = None
    off_delay: Annotated[float | None, _DELAY] = None
    settle: Annotated[float | None, _DELAY] = None


@lru_cache(maxsize=32)
def alarm_table(kind: str) -> type[AlarmTable]:
    """The model of `[alarm.KIND]`."""
    rule = KINDS[kind]
    keys: dict[str, Reader] = {"deadband": _value_reader(rule.value, rule.base, zero=True)}
    if rule.takes_limit:
        keys["limit"] = _value_reader(rule.value, rule.base)
    if kind in CATALOGUE:
        keys |= _HANDLING
    for extra in rule.extras:
        bounds = f"above {extra.least:g}" + (f" and at most {extra.most:g}" if math.isfinite(extra.most) else "")
        keys[extra.key] = Quantity(extra.dimension, bounds, above=extra.least, at_most=extra.most)
    fields: dict[str, Any] = {key: (Annotated[Any, BeforeValidator(reader)], None) for key, reader in keys.items()}
    return create_model("AlarmOfKind", __base__=AlarmTable, **fields)


T = TypeVar("T", bound=Table)


def read_table(model: type[T], document: Document, path: KeyPath, faults: Faults, *, present: bool = True) -> T:
    """The table at `path` as a model. Bad, unknown and missing keys become faults and stay None.

    present: whether the table stands in the file at all; if not, an empty model, and a fault where keys are needed.
    """
    raw = value_at(document, path) if present else None
    if not isinstance(raw, dict):
        if present or model.needed:
            what = f"a table with {', '.join(model.needed or model.model_fields)}"
            faults.add(document, path, "no table" if present else "nothing", what)
        return model()
    for key in model.needed:
        if key not in raw:
            faults.add(document, (*path, key), "nothing", accepted_for(model, key))
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        bad = _report(error, model, raw, document, path, faults)
    return model.model_validate({key: value for key, value in raw.items() if key not in bad})


def size(document: Document, path: KeyPath, value: Any, faults: Faults) -> int:
    """How many tables the array at `path` has; 0, with a fault, where something else stands."""
    if value is not None and not isinstance(value, list):
        faults.add(document, path, "one table or value", f"tables [[{'.'.join(map(str, path))}]]")
    return len(value) if isinstance(value, list) else 0


def value_at(document: Document, path: KeyPath) -> Any:
    """The value at a path that exists in the document."""
    value: Any = document.data
    for part in path:
        value = value[part]
    return value


def accepted_for(model: type[Table], key: str) -> str:
    """The clause of a key's reader that says what it accepts."""
    readers = [m.func for m in model.model_fields[key].metadata if isinstance(m, BeforeValidator)]
    return str(getattr(readers[0], "accepted", "")) if readers else f"a table for {key}"


def _report(
    error: ValidationError, model: type[T], raw: dict[str, Any], document: Document, path: KeyPath, faults: Faults
) -> set[str]:
    """Adds what pydantic found; returns the keys it found it in."""
    bad: set[str] = set()
    for item in error.errors(include_url=False):
        key = str(item["loc"][0])
        refusal = item.get("ctx", {}).get("error")
        if item["type"] == "extra_forbidden":
            faults.unknown_key(document, (*path, key), list(model.model_fields))
        elif isinstance(refusal, RefusalError):
            faults.add(document, (*path, key), refusal.found, refusal.accepted)
        elif key not in bad:
            faults.add(document, (*path, key), shown(raw[key]), accepted_for(model, key))
        bad.add(key)
    return bad


def _value_reader(dimension: str, base: str, zero: bool = False) -> Reader:
    if dimension == "pressure":
        return PressureOrShare(base)
    return Quantity(dimension, "zero or more", at_least=0) if zero else Quantity(dimension, "above zero", above=0)
