"""The tables about a skid: what it is made of, its signals, its alarms."""

from __future__ import annotations

import math
from enum import StrEnum
from functools import lru_cache
from typing import Annotated, Any

from pydantic import BeforeValidator, create_model

from monitor.alarms.catalogue import CATALOGUE
from monitor.config.kinds import KINDS
from monitor.config.readers import (
    Flag,
    Micrometres,
    Names,
    PressureOrShare,
    Quantities,
    Quantity,
    Reader,
    Span,
    Text,
    Topic,
    Whole,
    Word,
)
from monitor.config.tables import DAY, DELAY, Priority, Table
from monitor.model import Role
from monitor.skid import CURVE, PayloadFormat, Reporting, TimeFormat

_POSITIVE_PRESSURE = BeforeValidator(Quantity("pressure", "above zero", above=0))
_POSITIVE_TIME = BeforeValidator(Quantity("time", "above zero and at most 400 d", above=0, at_most=400 * DAY))
_VESSEL = Text("the name of a vessel, without commas or control characters", banned=",")
_FIELD = BeforeValidator(Text("a field's name, or a dotted path to it, as \"data.value\""))


_HANDLING: dict[str, Reader] = {
    "priority": Word(Priority),
    "consequence": Text("what happens if nobody responds", longest=500),
    "response": Text("what the operator is to do", longest=500),
    "time_to_respond": Quantity("time", "above zero and at most 400 d", above=0, at_most=400 * DAY),
    "re_alarm": Quantity("time", "from zero (never) to 30 d", at_least=0, at_most=30 * DAY),
    "shelve_limit": Quantity("time", "above zero and at most 30 d", above=0, at_most=30 * DAY),
}


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


class AlarmTable(Table):
    """What every kind may be given; `alarm_table` adds a kind's own keys."""

    enabled: Annotated[bool | None, BeforeValidator(Flag())] = None
    on_delay: Annotated[float | None, DELAY] = None
    off_delay: Annotated[float | None, DELAY] = None
    settle: Annotated[float | None, DELAY] = None


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


def _value_reader(dimension: str, base: str, zero: bool = False) -> Reader:
    if dimension == "pressure":
        return PressureOrShare(base)
    return Quantity(dimension, "zero or more", at_least=0) if zero else Quantity(dimension, "above zero", above=0)
