"""What is accepted in a configuration but deserves a second look."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.config.spans import largest_pressure_drop
from monitor.config.units import from_si
from monitor.model import Role
from monitor.settings import BrokerSettings, Settings
from monitor.skid import SkidSettings

LOOPBACK = ("127.0.0.1", "::1", "localhost")
# dP of bag filters: common practice, no source. Outside it a unit is likely wrong ("mPa" for "MPa").
USUAL_MAX_DP = (0.05e5, 20e5)


def warnings(settings: Settings) -> list[str]:
    """One sentence for each doubt, beginning with the file or skid it is about."""
    found = [text for skid in settings.skids for check in _CHECKS for text in check(skid)]
    return [*found, *_broker(settings.broker), *_unheard(settings)]


def change_on_the_run(skid: SkidSettings) -> tuple[float, float] | None:
    """dP [Pa] right after isolating one vessel at `changeout_dp` and held flow: (least, with the square of flow).

    The others carry N/(N-1) of their flow; dP of a bed goes with flow, of housing and nozzles with its square,
    and a cake that packs adds to both. None where a standby takes over, or the only vessel is isolated.
    """
    running = skid.in_service
    if running < 2 or len(skid.vessels) > running:
        return None
    ratio = running / (running - 1)
    return skid.element.changeout_dp * ratio, skid.element.changeout_dp * ratio**2


def _changing(skid: SkidSettings) -> Iterator[str]:
    reached = change_on_the_run(skid)
    if reached is None or reached[1] < skid.element.max_dp:
        return
    least, square = (_pressure(skid, value) for value in reached)
    room = "leaves no room" if reached[0] >= skid.element.max_dp else "may leave no room"
    due, highest = (_pressure(skid, value) for value in (skid.element.changeout_dp, skid.element.max_dp))
    yield (f"{_where(skid)}: changeout_dp of {due} {room} to change one of {skid.in_service} vessels on the run: at "
           f"held flow the rest go to {least} at the least, to {square} where dP goes with the square of flow, and "
           f"higher with a cake that packs; max_dp is {highest}. Lower the flow first, or lower changeout_dp.")


def _spans(skid: SkidSettings) -> Iterator[str]:
    spans = ((s.role, s.low * s.scale + s.offset, s.high * s.scale + s.offset) for s in skid.signals)
    largest = largest_pressure_drop(spans)
    if largest is None:
        return
    limit = skid.alarms["dp-limit"].limit
    if limit is not None and limit > largest:
        yield (f"{_where(skid)}: dp-limit at {_pressure(skid, limit)} can never be read: the transmitters show "
               f"at most {_pressure(skid, largest)}. A wider range is needed.")
    elif skid.element.max_dp > largest:
        yield (f"{_where(skid)}: max_dp of {_pressure(skid, skid.element.max_dp)} lies beyond what the transmitters "
               f"show, {_pressure(skid, largest)}.")


def _reference_in_range(skid: SkidSettings) -> Iterator[str]:
    for role, value, key in ((Role.FLOW, skid.reference.flow, "flow"),
                             (Role.TEMPERATURE, skid.reference.temperature, "temperature")):
        for s in skid.with_role(role):
            if not s.low <= (value - s.offset) / s.scale <= s.high:
                yield (f"{_where(skid)}: reference {key} of {from_si(value, s.unit):.4g} {s.unit} lies outside the "
                       f"range of {s.id}, {s.low:g} to {s.high:g} {s.unit}.")


def _order_of_limits(skid: SkidSettings) -> Iterator[str]:
    due, limit = skid.alarms["changeout-due"].limit, skid.alarms["dp-limit"].limit
    if due is not None and limit is not None and limit <= due:
        yield (f"{_where(skid)}: dp-limit at {_pressure(skid, limit)} comes before changeout-due at "
               f"{_pressure(skid, due)}.")


def _switched_off(skid: SkidSettings) -> Iterator[str]:
    if not skid.alarms["dp-limit"].enabled:
        yield f"{_where(skid)}: dp-limit is off: nothing will say that the dP nears what an element stands."


def _size(skid: SkidSettings) -> Iterator[str]:
    low, high = USUAL_MAX_DP
    if not low <= skid.element.max_dp <= high:
        yield (f"{_where(skid)}: max_dp of {_pressure(skid, skid.element.max_dp)} is unusual for bag filters "
               f"({low / 1e5:g} to {high / 1e5:g} bar): is its unit right (mPa is not MPa)?")


def _broker(broker: BrokerSettings | None) -> Iterator[str]:
    if broker is not None and broker.password is not None and not broker.tls and broker.host not in LOOPBACK:
        yield f"[broker]: the password goes to {broker.host} unencrypted; tls = true protects it."


def _unheard(settings: Settings) -> Iterator[str]:
    notify = settings.notify
    if settings.broker is None and settings.opcua is None and not (notify.webhooks or notify.services):
        yield ("[notify]: without a broker, [opcua], webhooks or services nobody is told of an alarm who does not look "
               "at the page.")


def _where(skid: SkidSettings) -> str:
    return f"{skid.source or 'configuration'}: skid {skid.id}"


def _pressure(skid: SkidSettings, value: float) -> str:
    unit = skid.display_units["pressure"]
    return f"{from_si(value, unit):.4g} {unit}"


_CHECKS = (_size, _order_of_limits, _spans, _reference_in_range, _changing, _switched_off)
