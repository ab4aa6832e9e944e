"""The tables about all else at a site: broker, store, channels, page, OPC UA, who may act."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any

from pydantic import BeforeValidator

from monitor.config.readers import (
    LONGEST_PATH,
    Bytes,
    Flag,
    Names,
    NeverHere,
    Quantity,
    Text,
    Topic,
    Url,
    Whole,
    Word,
)
from monitor.config.tables import DAY, DELAY, FILE, FOLDER, HOST, PORT, SECRET_FILE, VARIABLE, Priority, Table
from monitor.config.week import WeekHours, ZoneName
from monitor.settings import Hours

_CHANNEL = BeforeValidator(Text('a name, as "duty-phone"', banned="/,"))


class CommandsBy(StrEnum):
    OFF = "off"
    SIGNED = "signed"
    TRUSTED = "trusted"


class LoginTable(Table):
    """A server that we log in to."""

    host: Annotated[str | None, HOST] = None
    port: Annotated[int | None, PORT] = None
    username: Annotated[str | None, BeforeValidator(Text("a user name"))] = None
    password: Annotated[None, BeforeValidator(NeverHere("password"))] = None
    password_env: Annotated[str | None, VARIABLE] = None
    password_file: Annotated[str | None, SECRET_FILE] = None
    tls: Annotated[bool | None, BeforeValidator(Flag())] = None
    ca_file: Annotated[str | None, FILE] = None


class BrokerTable(LoginTable):
    client_id: Annotated[str | None, BeforeValidator(Text("a client id without control characters"))] = None
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


class SqlTable(LoginTable):
    database: Annotated[str | None, BeforeValidator(Text("a database's name"))] = None
    schema_name: Annotated[str | None, BeforeValidator(Text("a schema's name, as \"bagwright\"", longest=63))] = None


class WebRole(StrEnum):
    LOOK = "look"
    ACT = "act"


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
    after: Annotated[float | None, DELAY] = None
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
