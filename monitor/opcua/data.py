"""What the server asks of the store."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

import numpy.typing as npt

from monitor.model import Event, Quality, Rows

AlarmKey = tuple[str, str, str | None, str | None]      # skid, kind, vessel, signal
States = Mapping[AlarmKey, Mapping[str, Any]]
Leave = Callable[[str | None, str, Any], int]           # skid, action, body -> number of the request


class Asked(Protocol):
    @property
    def answer(self) -> str | None: ...


class Source(Protocol):
    """As `monitor.store.Reader`."""

    def all_latest(self) -> dict[str, dict[str, tuple[int, float, Quality]]]: ...

    def newest_minutes(self) -> dict[str, dict[str, Any]]: ...

    def newest_forecasts(self) -> dict[str, tuple[int, float, float, float]]: ...

    def alarm_states(self) -> dict[AlarmKey, dict[str, Any]]: ...

    def events(self, skid: str | None = None, start: int | None = None, end: int | None = None, *, limit: int = 100,
               before: str | None = None, forward: bool = False) -> list[Event]: ...

    def event(self, event_id: str) -> Event | None: ...

    def request(self, number: int | None = None) -> Asked | None: ...

    def rows(self, skid: str, start: int, end: int, signals: Sequence[str] | None = None) -> Rows: ...

    def minutes(self, skid: str, start: int, end: int) -> Mapping[str, npt.NDArray[Any]]: ...

    def newest(self) -> int | None: ...

    def oldest(self, skids: Sequence[str]) -> int | None: ...

    def close(self) -> None: ...
