"""Figures for whoever watches the watcher, in the text format that Prometheus and its like read (version 0.0.4)."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Container, Iterable, Mapping

from fastapi import FastAPI
from fastapi.responses import PlainTextResponse

from monitor.web.acting import REFUSALS
from monitor.web.data import AlarmNow, Source
from monitor.web.site import Site

Labels = Mapping[str, str]
Sample = tuple[Labels, float]
KIND = "text/plain; version=0.0.4; charset=utf-8"


def add_metrics(app: FastAPI, site: Site) -> None:
    """Adds /metrics."""
    @app.get("/metrics", tags=["health"], summary="Figures of the store and the alarms as Prometheus reads them",
             response_class=PlainTextResponse, responses=REFUSALS)
    async def metrics() -> PlainTextResponse:
        text = await site.hub.ask(lambda source: figures(source, site.pages.skids, site.hub.age, time.time_ns()))
        return PlainTextResponse(text, media_type=KIND)


def figures(source: Source, skids: Container[str], age_s: float, now: int) -> str:
    """skids: those that are watched; of one that was removed no age grows for ever. now: wall time, ns."""
    status = source.reader.status()
    newest = [({"skid": s}, (now - told["newest"]) / 1e9) for s, told in status["skids"].items()
              if s in skids and told["newest"] is not None]
    queues = status["outbox"].items()
    return "".join((
        _family("store_age_seconds", "gauge", "Since the store last changed", [({}, age_s)]),
        _family("store_bytes", "gauge", "Size of the store and its log",
                [({"part": part}, status["bytes"][part]) for part in ("database", "log")]),
        _family("reading_age_seconds", "gauge", "Since a skid's newest reading", newest),
        _family("readings_kept", "gauge", "Readings in the store",
                [({"how": how}, status["readings"][how]) for how in ("recent", "packed")]),
        _family("rejected_total", "counter", "Messages and readings set aside",
                [({"reason": reason}, n) for reason, n in status["quarantine"].items()]),
        _family("events_total", "counter", "Events stored", [({}, status["events"])]),
        _family("alarms", "gauge", "Alarms that are not normal", _alarms(source.alarms(skids))),
        _family("outbox_waiting", "gauge", "Notices that wait", [({"channel": c}, q["queued"]) for c, q in queues]),
        _family("outbox_refused", "gauge", "Notices that were refused",
                [({"channel": c}, q["refused"]) for c, q in queues]),
        _family("requests_open", "gauge", "Requests that the daemon has not answered", [({}, status["open_requests"])]),
    ))


def _alarms(alarms: Iterable[AlarmNow]) -> list[Sample]:
    counted = Counter((a.level, a.state) for a in alarms)
    return [({"priority": level, "state": state}, n) for (level, state), n in sorted(counted.items())]


def _family(name: str, kind: str, words: str, samples: Iterable[Sample]) -> str:
    lines = [f"# HELP bagwright_{name} {words}.", f"# TYPE bagwright_{name} {kind}"]
    for labels, value in samples:
        inside = ",".join(f'{key}="{_escaped(text)}"' for key, text in labels.items())
        lines.append(f"bagwright_{name}{f'{{{inside}}}' if inside else ''} {value:.15g}")
    return "\n".join(lines) + "\n"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
