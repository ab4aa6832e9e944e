"""Tables of what does not come over plain MQTT: where a signal is found, and servers and devices to read."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any

from pydantic import BeforeValidator

from monitor.config.readers import NeverHere, Quantity, Span, Text, Whole, Word
from monitor.config.tables import FILE, HOST, PORT, SECRET_FILE, VARIABLE, Table
from monitor.config.wording import RefusalError, shown

_NODE_ID = re.compile(r"(?:ns=\d{1,5};|nsu=[^;]+;)?(?:i=\d{1,10}|[sgb]=.+)")


class RegisterTable(StrEnum):
    HOLDING = "holding"
    INPUT = "input"
    COIL = "coil"
    DISCRETE = "discrete"


class NumberType(StrEnum):
    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    INT64 = "int64"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"


class WordOrder(StrEnum):
    BIG = "big"
    LITTLE = "little"


class Security(StrEnum):
    NONE = "none"
    SIGN = "sign"
    SIGN_AND_ENCRYPT = "sign-and-encrypt"


class Policy(StrEnum):
    """Those that OPC UA Part 7 does not call deprecated."""

    BASIC256SHA256 = "Basic256Sha256"
    AES128 = "Aes128_Sha256_RsaOaep"
    AES256 = "Aes256_Sha256_RsaPss"


@dataclass(frozen=True, slots=True)
class NodeId:
    """A NodeId as text (OPC UA Part 6, 5.3.1.10)."""

    accepted: str = 'a NodeId, as "ns=2;s=PT-101" or "nsu=urn:hatchery:plc;s=PT-101"'

    def __call__(self, value: Any) -> str:
        if not isinstance(value, str) or not _NODE_ID.fullmatch(value) or not value.isprintable() or len(value) > 500:
            raise RefusalError(shown(value), self.accepted)
        return value


@dataclass(frozen=True, slots=True)
class Endpoint:
    accepted: str = 'the address of an OPC UA server, as "opc.tcp://192.0.2.10:4840"'

    def __call__(self, value: Any) -> str:
        if not isinstance(value, str) or not re.fullmatch(r"opc\.tcp://[^\s@/]+(?:/[^\s@]*)?", value):
            raise RefusalError("no such address" if isinstance(value, str) and "@" in value else shown(value),
                               self.accepted)
        return value


_ID = BeforeValidator(Text('a name without / and control characters, as "plc-1"', banned="/"))
_SOURCE = BeforeValidator(Text("the id of a [[source.opcua]] or [[source.modbus]]"))
_SPARKPLUG_ID = BeforeValidator(Text("a Sparkplug id without / + #", banned="/+#"))
_RAW = BeforeValidator(Span("two different finite numbers, the lower first: what the source gives at the two ends of "
                            "range, as [0, 27648]"))
_TIMEOUT = BeforeValidator(Quantity("time", "from 100 ms to 60 s", at_least=0.1, at_most=60))


class SparkplugTable(Table):
    needed = ("group", "node", "metric")

    group: Annotated[str | None, _SPARKPLUG_ID] = None
    node: Annotated[str | None, _SPARKPLUG_ID] = None
    device: Annotated[str | None, _SPARKPLUG_ID] = None
    metric: Annotated[str | None, BeforeValidator(Text("a metric's name, as in the birth", longest=500))] = None
    raw: Annotated[tuple[float, float] | None, _RAW] = None


class OpcuaTable(Table):
    needed = ("source", "node")

    source: Annotated[str | None, _SOURCE] = None
    node: Annotated[str | None, BeforeValidator(NodeId())] = None
    raw: Annotated[tuple[float, float] | None, _RAW] = None


class ModbusTable(Table):
    needed = ("source", "table", "address")

    source: Annotated[str | None, _SOURCE] = None
    table: Annotated[RegisterTable | None, BeforeValidator(Word(RegisterTable))] = None
    address: Annotated[int | None, BeforeValidator(
        Whole(0, 65_535, "an address as on the wire, counted from 0 (a list's 40101 is holding, 100),"))] = None
    type: Annotated[NumberType | None, BeforeValidator(Word(NumberType))] = None
    word_order: Annotated[WordOrder | None, BeforeValidator(Word(WordOrder))] = None
    bit: Annotated[int | None, BeforeValidator(Whole(0, 15, "a bit, 0 the least significant,"))] = None
    raw: Annotated[tuple[float, float] | None, _RAW] = None


class SourceTable(Table):
    opcua: Any = None
    modbus: Any = None


class OpcuaSourceTable(Table):
    needed = ("id", "url")

    id: Annotated[str | None, _ID] = None
    url: Annotated[str | None, BeforeValidator(Endpoint())] = None
    security: Annotated[Security | None, BeforeValidator(Word(Security))] = None
    policy: Annotated[Policy | None, BeforeValidator(Word(Policy))] = None
    cert_file: Annotated[str | None, FILE] = None
    key_file: Annotated[str | None, FILE] = None
    server_cert_file: Annotated[str | None, FILE] = None
    username: Annotated[str | None, BeforeValidator(Text("a user name"))] = None
    password: Annotated[None, BeforeValidator(NeverHere("password"))] = None
    password_env: Annotated[str | None, VARIABLE] = None
    password_file: Annotated[str | None, SECRET_FILE] = None
    sampling: Annotated[float | None, BeforeValidator(
        Quantity("time", "from 50 ms to 1 h", at_least=0.05, at_most=3600))] = None
    timeout: Annotated[float | None, _TIMEOUT] = None


class ModbusSourceTable(Table):
    needed = ("id", "host")

    id: Annotated[str | None, _ID] = None
    host: Annotated[str | None, HOST] = None
    port: Annotated[int | None, PORT] = None
    unit_id: Annotated[int | None, BeforeValidator(Whole(0, 255, "a unit identifier"))] = None
    poll: Annotated[float | None, BeforeValidator(
        Quantity("time", "from 50 ms to 1 h", at_least=0.05, at_most=3600))] = None
    timeout: Annotated[float | None, _TIMEOUT] = None
