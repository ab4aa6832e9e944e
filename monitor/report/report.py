"""`report.html`: plots, events, counts and configuration of one skid in a single self-contained page.

The plots are the server's own SVG rather than a plotting library's script: the page stays small, is
readable without JavaScript, prints, and the same input gives the same bytes. A short script of our own
adds zoom and a readout. The page forbids itself every outside load by its content security policy.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from monitor.config.kinds import KINDS as JUDGED_BY
from monitor.engine.messages_plan import Plan, plan_lines
from monitor.engine.told import ForecastRow
from monitor.errors import RunError
from monitor.model import Event
from monitor.report.fan import draw_fan
from monitor.skid import AlarmSettings, Signal, SkidSettings
from monitor.web.trend import Trend, draw_trend
from monitor.web.words import KINDS, UNKNOWN, Display, dp_limit, due_limit, duration, kind_of, unit_symbol

_HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Fact:
    name: str
    value: str


def write_report(path: Path, *, skid: SkidSettings, trend: Trend, events: Sequence[Event],
                 counts: Mapping[str, Any], title: str) -> None:
    """Write the page. The same arguments give the same bytes.

    trend: arrays of equal length: `time` (int64 ns, bucket start, ascending), `inlet`, `outlet`, `pressure_drop`,
    `normalised` (Pa), `flow` (m^3/s), `temperature` (K), NaN where unknown; optionally `pressure_drop_low` and
    `pressure_drop_high`. counts: numbers by name; a dictionary inside is a group, such as rejected rows by reason.
    Raises RunError where the file cannot be written.
    """
    text = render_report(skid=skid, trend=trend, events=events, counts=counts, title=title)
    try:
        _replace(path, text)
    except OSError as error:
        raise RunError(f"{path}: the report cannot be written: {error.strerror or error}") from error


def render_report(*, skid: SkidSettings, trend: Trend, events: Sequence[Event], counts: Mapping[str, Any],
                  title: str, forecasts: Sequence[ForecastRow] = (), plan: Plan | None = None) -> str:
    """The page as text. forecasts, plan: as the engine left them."""
    from monitor.web.templating import environment, inline, leaves

    script = inline("times.js") + inline("plots.js")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    time = np.asarray(trend["time"], np.int64)
    return environment(_HERE / "templates").get_template("report.html").render(
        title=title, fan=_fan(forecasts, events, time), plan=[] if plan is None else list(plan_lines(skid, plan)),
        skid=skid, style=inline("style.css"), script=script, digest=digest,
        plots=draw_trend(skid, trend, events), events=sorted(events, key=lambda e: e.time),
        first=int(time[0]) if time.size else None, last=int(time[-1]) if time.size else None,
        counts=list(leaves(dict(counts))), summary=list(_summary(events)), facts=list(_facts(skid)),
        signals=[(s, _span(s)) for s in skid.signals], alarms=[_alarm(skid, a) for a in _in_order(skid.alarms)])


def _fan(forecasts: Sequence[ForecastRow], events: Sequence[Event], time: npt.NDArray[np.int64]) -> Markup:
    step = int(np.median(np.diff(time))) if time.size > 1 else 1
    return draw_fan(forecasts, events, int(time[0]), int(time[-1]) + step) if time.size else Markup("")


def _replace(path: Path, text: str) -> None:
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=path.name, suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
        os.chmod(name, 0o644)
        os.replace(name, path)
    except BaseException:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(name)
        raise


def _summary(events: Sequence[Event]) -> Iterator[tuple[str, int, int, int]]:
    """Kind, and how often it was raised, cleared and noted."""
    for kind in [*KINDS, *sorted({e.kind for e in events} - set(KINDS))]:
        told = [e.transition.value for e in events if e.kind == kind]
        if told:
            yield kind, told.count("raised"), told.count("cleared"), told.count("noted")


def _facts(skid: SkidSettings) -> Iterator[Fact]:
    show, element = Display(skid), skid.element
    yield Fact("Skid", skid.id)
    yield Fact("Vessels", f"{', '.join(skid.vessels)} ({skid.in_service} normally in service)")
    yield Fact("Changeout dP", show.text("pressure", due_limit(skid)))
    yield Fact("dP limit, alarm", show.text("pressure", dp_limit(skid)))
    yield Fact("Elements' maximum dP", show.text("pressure", element.max_dp))
    yield Fact("Clean dP, data sheet", UNKNOWN if element.clean_dp is None else show.text("pressure", element.clean_dp))
    yield Fact("Reference flow", show.text("flow", skid.reference.flow))
    yield Fact("Reference temperature", show.text("temperature", skid.reference.temperature))
    yield Fact("Fluid", skid.reference.fluid)
    yield Fact("Element rating", UNKNOWN if element.rating is None else f"{element.rating * 1e6:.4g} µm")
    yield Fact("Element area", UNKNOWN if element.area is None else f"{element.area:.4g} m²")
    yield Fact("Elements per vessel", f"{element.per_vessel}{f', {element.part}' if element.part else ''}")


def _span(signal: Signal) -> str:
    return f"{signal.low:g} to {signal.high:g} {unit_symbol(signal.unit)}".strip()


def _in_order(alarms: Mapping[str, AlarmSettings]) -> list[AlarmSettings]:
    order = {kind: i for i, kind in enumerate(KINDS)}
    return sorted(alarms.values(), key=lambda a: (order.get(a.kind, len(order)), a.kind))


def _alarm(skid: SkidSettings, rule: AlarmSettings) -> dict[str, str]:
    limit = UNKNOWN
    if rule.limit is not None:
        limit = _limit(skid, rule.kind, rule.limit)
    return {"kind": kind_of(rule.kind).words, "on": f"{rule.on_delay_s:g} s", "off": f"{rule.off_delay_s:g} s",
            "limit": limit, "enabled": "yes" if rule.enabled else "no"}


def _limit(skid: SkidSettings, kind: str, limit: float) -> str:
    match JUDGED_BY[kind].value:
        case "pressure":
            return Display(skid).text("pressure", limit)
        case "time":
            return duration(limit)
    return f"{100 * limit:.4g} %"
