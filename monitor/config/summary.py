"""A configuration in a few lines for people."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.config.kinds import KINDS, Extra
from monitor.config.units import from_si
from monitor.config.wording import NO_BROKER
from monitor.model import Role
from monitor.settings import RuleSettings, Settings
from monitor.skid import AlarmSettings, Reporting, Signal, SkidSettings


def describe(settings: Settings) -> str:
    """The summary that `check` prints. No secret is in it."""
    lines = [line for skid in settings.skids for line in _skid(skid)]
    return "\n".join([*lines, *_shared(settings)])


def _skid(skid: SkidSettings) -> Iterator[str]:
    element, reference, show = skid.element, skid.reference, skid.display_units
    yield f"{skid.id}: {skid.name}" + (f"  ({skid.source})" if skid.source else "")
    yield f"  vessels     {', '.join(skid.vessels)}; {skid.in_service} of {len(skid.vessels)} in service"
    facts = [
        f"changeout at {_shown(element.changeout_dp, show['pressure'])}",
        f"at most {_shown(element.max_dp, show['pressure'])}",
        f"clean {_shown(element.clean_dp, show['pressure'])}" if element.clean_dp else "clean dP to be learned",
        f"{element.rating * 1e6:.3g} um" if element.rating else "", f"{element.area:.3g} m^2" if element.area else "",
        f"{element.per_vessel} in a vessel", element.part,
    ]
    yield f"  element     {', '.join(fact for fact in facts if fact)}"
    flow, temperature = _shown(reference.flow, show["flow"]), _shown(reference.temperature, show["temperature"])
    yield f"  reference   {flow} of {reference.fluid} at {temperature}"
    assumed = "told by the pump's curve from the inlet pressure" if skid.pump_curve else "taken as constant"
    for role, meaning in ((Role.FLOW, assumed), (Role.TEMPERATURE, "2.5 to 3 % per kelvin uncertain")):
        if not skid.with_role(role):
            yield f"  {role:<11} not measured: {meaning}"
    yield "  signals"
    yield from (f"    {_signal(signal)}" for signal in skid.signals)
    yield "  alarms"
    yield from (f"    {_alarm(alarm, show['pressure'])}" for alarm in skid.alarms.values())


def _signal(signal: Signal) -> str:
    role = signal.role + (f" {signal.vessel}" if signal.vessel else "")
    silence = f", silent at most {_duration(signal.max_silence_s)}" if signal.max_silence_s else ""
    reporting = "on change" if signal.reporting is Reporting.ON_CHANGE else "periodic"
    span = f"{signal.low:g} to {signal.high:g} {signal.unit}"
    return f"{signal.id:<16} {role:<26} {span:<20} {signal.topic}  ({reporting}{silence})"


def _alarm(alarm: AlarmSettings, unit: str) -> str:
    if not alarm.enabled:
        return f"{alarm.kind:<18} off"
    is_pressure = alarm.limit is not None and alarm.kind in ("changeout-due", "dp-limit", "surge")
    limit = f"at {_shown(alarm.limit, unit)}, " if is_pressure else ""
    clears = f", clears below {_shown((alarm.limit or 0.0) - alarm.deadband, unit)}" if is_pressure else ""
    extra = "".join(f", {_extra(e, alarm.extra[e.stored_as], unit)}" for e in KINDS[alarm.kind].extras)
    return f"{alarm.kind:<18} {limit}after {_duration(alarm.on_delay_s)}{clears}{extra}"


def _extra(extra: Extra, value: float, unit: str) -> str:
    said = _duration(value) if extra.dimension == "time" else f"{value:g}"
    return f"{extra.key.replace('_', ' ')} {_shown(value, unit) if extra.dimension == 'pressure' else said}"


def _shared(settings: Settings) -> Iterator[str]:
    broker, store, notify, web = settings.broker, settings.store, settings.notify, settings.web
    if broker is None:
        yield f"broker        {NO_BROKER}"
    else:
        tls = ", TLS" if broker.tls else ""
        yield f"broker        {broker.host}:{broker.port}{tls}, own topics under {broker.prefix}/"
    for opcua in settings.source.opcua:
        yield f"source        {opcua.id}: {opcua.url}, security {opcua.security}, sampled every {opcua.sampling_s:g} s"
    for modbus in settings.source.modbus:
        yield (f"source        {modbus.id}: Modbus at {modbus.host}:{modbus.port}, unit {modbus.unit_id}, every "
               f"{modbus.poll_s:g} s")  # fmt: skip
    yield f"store         {store.path}, readings kept {store.retention_days:g} d"
    targets = [] if broker is None else ["MQTT"]
    targets += [f"{len(notify.webhooks)} webhook(s)"] if notify.webhooks else []
    targets += [f"service {s.id}" for s in notify.services]
    targets += [f"line protocol to {notify.influx.bucket}"] if notify.influx else []
    targets += [f"rows to PostgreSQL at {notify.sql.host}, schema {notify.sql.schema}"] if notify.sql else []
    yield f"notify        {', '.join(targets) or 'nobody'}"
    yield from (f"rule          {_rule(rule)}" for rule in notify.rules)
    yield f"commands      over MQTT {settings.command.mqtt}"
    if settings.opcua is not None:
        yield f"opc ua        opc.tcp://{settings.opcua.host}:{settings.opcua.port}/"
    yield f"web           {web.url}/"


def _rule(rule: RuleSettings) -> str:
    what = f"{', '.join(rule.kinds) or 'alarms'} of {rule.priority} priority and up"
    where = f" of {', '.join(rule.skids)}" if rule.skids else ""
    when = f", unacknowledged for {_duration(rule.after_s)}" if rule.after_s else ""
    hours = f", at the hours of {rule.timezone}" if rule.hours else ""
    return f"{rule.id}: {what}{where}{when}{hours} to {', '.join(rule.channels)}"


def _shown(value: float | None, unit: str) -> str:
    return "unknown" if value is None else f"{from_si(value, unit):.4g} {unit}"


def _duration(seconds: float) -> str:
    for unit, size in (("d", 86_400), ("h", 3600), ("min", 60)):
        if seconds >= 2 * size and seconds % size == 0:
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"
