"""Who asks the store, and how changes reach the browsers.

One thread asks; one task looks once a second whether the store changed; every open page waits for that
and gets the parts of itself that differ. What a page shows, and what of it differs, is made once per change, however
many look; and where there is so much to make that the thread would be busy, changes are looked for less often, so that
viewers never take from the daemon more than a fixed share of a core.
"""

from __future__ import annotations

import asyncio
import json
import time
import uuid
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from monitor.errors import MonitorError
from monitor.web.data import Source, Status, StoreReader

T = TypeVar("T")
Fragments = dict[str, str]      # id of an element of the page -> its new inner HTML
Maker = Callable[[Source], Fragments]

POLL_S = 1.0
BUSY = 0.2          # share of a core that the thread may take for pages that are open
BEAT_S = 5.0        # how often an open page hears from us even when nothing changed
OLD_S = 60.0        # a store that has not changed for so long is called old


class Pace:
    """Keeps what is spent below a share of the time, on the whole: nothing new is begun while something is owed."""

    def __init__(self, share: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.share, self.clock = share, clock
        self.spent = 0.0                # all in all, seconds
        self._counted, self._owed, self._at = 0.0, 0.0, clock()

    def paid(self) -> bool:
        now = self.clock()
        self._owed = max(0.0, self._owed + self.spent - self._counted - self.share * (now - self._at))
        self._counted, self._at = self.spent, now
        return self._owed == 0.0


class Hub:
    """Serialises questions to the store and tells waiting pages when it changed."""

    def __init__(self, open_reader: Callable[[], StoreReader], *, ages: bool = True) -> None:
        """ages: whether a store that does not change is old; one that nobody writes to is not."""
        self._ages = ages
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="store-reader")
        self._boot = uuid.uuid4().hex[:8]
        self._count = 0
        self._changed_at = time.monotonic()
        self._seen: Status | None = None
        self._wake = asyncio.Event()
        self._made: dict[str, tuple[int, asyncio.Task[Fragments]]] = {}
        self._told: dict[tuple[str, str | None], str] = {}      # page, version it had -> what is new since, as JSON
        self._pace = Pace(BUSY)
        self._pending = False   # it changed, and the pages have not been told
        self._watcher: asyncio.Task[None] | None = None
        self._ending = False
        self._source = self._thread.submit(lambda: Source(open_reader())).result()

    @property
    def version(self) -> str:
        """Names this state of the store to a browser that comes back."""
        return f"{self._boot}-{self._count}"

    @property
    def age(self) -> float:
        """Seconds of wall time since the store last changed, as far as this process can tell."""
        return time.monotonic() - self._changed_at

    @property
    def old(self) -> bool:
        return self._ages and self.age > OLD_S

    async def ask(self, question: Callable[[Source], T]) -> T:
        """Put a question to the store on its own thread."""
        return await asyncio.get_running_loop().run_in_executor(self._thread, self._answer, question)

    def _answer(self, question: Callable[[Source], T]) -> T:
        try:
            return question(self._source)
        finally:
            self._pace.spent = time.thread_time()

    async def start(self) -> None:
        await self.look()
        self._watcher = asyncio.create_task(self._watch(), name="store-watcher")

    def end_streams(self) -> None:
        """Lets every open stream come to its end, so that a server can stop without cutting them."""
        self._ending = True
        self._wake.set()

    async def stop(self) -> None:
        if self._watcher is not None:
            self._watcher.cancel()
            await asyncio.gather(self._watcher, return_exceptions=True)
        await self.ask(lambda source: source.close())
        self._thread.shutdown()

    async def look(self) -> None:
        """Ask once whether the store changed, and wake those who wait if so."""
        await self._notice()
        if self._pending:
            self._tell()

    async def _notice(self) -> None:
        status = await self.ask(lambda source: source.status())
        if self._seen is not None and status.version == self._seen.version:
            return
        idle = max(0.0, time.time() - status.written / 1e9)
        self._seen, self._changed_at, self._pending = status, time.monotonic() - idle, True

    def _tell(self) -> None:
        self._count, self._pending, self._told = self._count + 1, False, {}
        self._wake.set()
        self._wake = asyncio.Event()

    async def _watch(self) -> None:
        while True:
            await asyncio.sleep(POLL_S)
            try:
                await self._notice()
                if self._pending and self._pace.paid():
                    self._tell()
            except MonitorError:
                continue        # unreadable just now: its age grows, and every page says so

    async def fragments(self, key: str, make: Maker) -> Fragments:
        """The parts of the page `key`, made once per change of the store."""
        known = self._made.get(key)
        if known is None or known[0] != self._count or _failed(known[1]):
            self._made = {k: v for k, v in self._made.items() if v[0] == self._count}
            known = self._made[key] = (self._count, asyncio.ensure_future(self.ask(make)))
        return await asyncio.shield(known[1])

    async def stream(self, key: str, make: Maker, seen: str | None) -> AsyncIterator[dict[str, str]]:
        """Server-sent events of one page: `parts` with those that changed, and a `beat` that carries the age.

        seen: the version that the browser has; it gets what is new since, at once.
        """
        had, sent, fresh = await self._had(key, make, seen)
        while not self._ending:
            wake = self._wake
            if fresh:
                version = self.version
                try:
                    parts = await self.fragments(key, make)
                except MonitorError as error:
                    yield {"event": "trouble", "data": json.dumps({"message": str(error)})}
                else:
                    fresh = False
                    new = self._news(key, had, sent, version, parts)
                    had, sent = version, parts
                    if new:
                        yield {"event": "parts", "id": version, "data": new}
            if not fresh:
                yield {"event": "beat", "data": json.dumps({"age_s": round(self.age, 1), "old": self.old})}
            try:
                await asyncio.wait_for(wake.wait(), BEAT_S)
                fresh = True
            except TimeoutError:
                continue        # nothing new: only a beat, or another try after trouble

    def _news(self, key: str, had: str | None, sent: Fragments, version: str, parts: Fragments) -> str:
        """What a browser with the version `had` lacks, as JSON, or nothing: the same for all that had the same."""
        known = self._told.get((key, had))
        if known is None or version != self.version:
            new = {name: html for name, html in parts.items() if sent.get(name) != html}
            known = json.dumps(new) if new else ""
            if version == self.version:
                self._told[key, had] = known
        return known

    async def _had(self, key: str, make: Maker, seen: str | None) -> tuple[str | None, Fragments, bool]:
        """The version and parts that a browser with `seen` has already, and whether it needs others."""
        version = self.version
        if seen != version:
            return None, {}, True
        try:
            parts = await self.fragments(key, make)
        except MonitorError:
            return None, {}, True
        return version, parts, self.version != version      # it may have moved on while they were made


def _failed(task: asyncio.Task[Fragments]) -> bool:
    """Whether what was asked has to be asked again."""
    return task.done() and (task.cancelled() or task.exception() is not None)
