"""An invented skid and its history for tests of page and report, and a plain check of HTML."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any

import numpy as np
import numpy.typing as npt

from monitor.model import NS, Event, Minute, Role, Rows, Transition
from monitor.skid import AlarmSettings, Element, Reference, Signal, SkidSettings

START = 1_772_323_200 * NS      # 2026-03-01 00:00 UTC, by `date -u -d @1772323200`
MINUTE = 60 * NS
_VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


def hatchery_skid(skid_id: str = "intake", name: str = "River intake", **changes: Any) -> SkidSettings:
    """Two vessels at the river intake of a trout hatchery; changeout at 1.0 bar, elements hold 2.5 bar."""
    def signal(tag: str, role: Role, unit: str, high: float, scale: float, **more: Any) -> Signal:
        return Signal(id=tag, role=role, topic=f"{skid_id}/{tag}", unit=unit, low=0.0, high=high, scale=scale,
                      offset=more.pop("offset", 0.0), **more)

    made = SkidSettings(
        id=skid_id, name=name, vessels=("V1", "V2"), in_service=2,
        element=Element(changeout_dp=1.0e5, max_dp=2.5e5, rating=5e-6, area=0.8, clean_dp=0.2e5, part="B-5"),
        reference=Reference(flow=60 / 3600, temperature=283.15),
        signals=(
            signal("PT-1", Role.INLET_PRESSURE, "bar", 10.0, 1e5),
            signal("PT-2", Role.OUTLET_PRESSURE, "bar", 10.0, 1e5),
            signal("FT-1", Role.FLOW, "m^3/h", 100.0, 1 / 3600),
            signal("TT-1", Role.TEMPERATURE, "degC", 50.0, 1.0, offset=273.15),
            signal("PT-11", Role.VESSEL_PRESSURE, "bar", 10.0, 1e5, vessel="V1"),
            signal("LS-1", Role.LEAK_SENSOR, "1", 1.0, 1.0, vessel="V1"),
        ),
        alarms={"changeout-due": AlarmSettings("changeout-due", 15.0, 15.0, 0.05e5, 1.0e5),
                "dp-limit": AlarmSettings("dp-limit", 15.0, 15.0, 0.05e5, 2.125e5)},
        display_units={"pressure": "bar", "flow": "m^3/h", "temperature": "degC", "turbidity": "NTU"},
    )
    return dataclasses.replace(made, **changes)


def history(count: int, seed: int = 1, step: int = MINUTE) -> dict[str, npt.NDArray[Any]]:
    """A trend of `count` buckets: dP rises from 0.2 to 1.2 bar at a flow that swings by 10 %."""
    noise = np.random.default_rng(seed)
    part = np.arange(count) / max(count, 1)
    flow = (60 + 6 * np.sin(20 * part)) / 3600
    normalised = 0.2e5 + 1.0e5 * part**2 + noise.normal(0, 200, count)
    drop = normalised * (flow * 60) ** 1.5
    outlet = np.full(count, 2.0e5) + noise.normal(0, 300, count)
    return {"time": START + step * np.arange(count), "inlet": outlet + drop, "outlet": outlet, "pressure_drop": drop,
            "flow": flow, "temperature": np.full(count, 284.0), "normalised": normalised}


def minutes(trend: dict[str, npt.NDArray[Any]]) -> list[Minute]:
    columns = {name: trend[name].tolist() for name in Minute._fields if name != "judged"}
    return [Minute(**dict(zip(columns, row, strict=True)), judged=True) for row in zip(*columns.values(), strict=True)]


def rows(values: dict[int, float], time: int) -> Rows:
    """One reading of each signal, by its position, at one time."""
    count = len(values)
    return Rows(np.full(count, time), np.array(list(values), np.int16), np.array(list(values.values()), np.float64),
                np.zeros(count, np.uint8))


def event(minute: float, kind: str, transition: Transition = Transition.RAISED, *, skid: str = "intake",
          message: str = "What was seen.", **more: Any) -> Event:
    return Event(START + round(minute * MINUTE), skid, kind, transition, message, **more)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.faults: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if len({name for name, _ in attrs}) < len(attrs):
            self.faults.append(f"<{tag}> has an attribute twice at {self.getpos()}")
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> at {self.getpos()} closes nothing that is open")

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] not in ("script", "style"):
            self.text.append(data)


@dataclasses.dataclass(frozen=True)
class Html:
    """What a page consists of."""

    tags: list[tuple[str, dict[str, str | None]]]
    text: str
    faults: list[str]

    def attributes(self, name: str) -> Iterator[str]:
        """Every value of an attribute in the page."""
        yield from (value or "" for _, found in self.tags for key, value in found.items() if key == name)

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [found for name, found in self.tags if name == tag]


def read_html(text: str) -> Html:
    """Parse a page; faults: elements left open or closed wrongly, ids used twice, references to no id."""
    reader = _Reader()
    reader.feed(text)
    reader.close()
    html = Html(reader.tags, " ".join(" ".join(reader.text).split()), reader.faults)
    ids = Counter(html.attributes("id"))
    html.faults.extend(f"<{tag}> is never closed" for tag in reader.open)
    html.faults.extend(f"id {name} is used {n} times" for name, n in ids.items() if n > 1)
    links = [a for a in html.attributes("href") if a.startswith("#")]
    html.faults.extend(f"{link} leads nowhere" for link in links if link[1:] not in ids)
    return html
