"""`bagwright status`."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from monitor.alarms.catalogue import of_monitor
from monitor.commands.common import load_settings, say
from monitor.commands.page import open_reader
from monitor.commands.wording import ago, number, size, span
from monitor.config.wording import NO_BROKER
from monitor.engine.closures import HoldAnswer, last_of
from monitor.model import NS
from monitor.times import to_rfc3339

if TYPE_CHECKING:
    from monitor.skid import SkidSettings
    from monitor.store import QuarantineCount, Reader

Values = Mapping[str, Any]
MARGIN = 10
CLOCK = "clock/"     # facts of clocks
RATES = (("readings", "readings"), ("repeated", "repeated"), ("rejected", "set aside"), ("events", "events"),
         ("commits", "commits"))


def run_status(config: Path, *, as_json: bool) -> None:
    settings = load_settings(config)
    with open_reader(Path(settings.store.path)) as reader:
        status = reader.status()
        quarantine = reader.quarantine_counts()
        broker = settings.broker
        status["broker"] = None if broker is None else f"{broker.host}:{broker.port}"
        known = {s.id for s in settings.skids}
        status["former"] = {skid: told for skid, told in status["skids"].items() if skid not in known}
        status["skids"] = {skid: told for skid, told in status["skids"].items() if skid in known}
        status["alarms"] = standing({key: body for key, body in reader.alarm_states().items()
                                     if key[0] in known or of_monitor(key[0])})
        kept = {skid: kept_of(reader, skid) for skid in status["skids"]}
        status["forecasts"] = {skid: forecast_of(found) for skid, found in kept.items()}
        status["closures"] = {s.id: closures_of(s, kept[s.id]) for s in settings.skids if s.id in kept}
        status["clocks"] = {skid: clocks_of(reader, skid) for skid in status["skids"]}
    if as_json:
        counts = [c._asdict() for c in quarantine]
        say(json.dumps(status | {"quarantine_counts": counts}, indent=1, default=str))
        return
    for line in lines(status, quarantine, time.time_ns()):
        say(line)


def lines(status: Values, quarantine: Sequence[QuarantineCount], now: int) -> Iterator[str]:
    """The status as `Reader.status` and `Reader.quarantine_counts` give it, for people. now: wall time [ns]."""
    parts = {
        "store": _store(status),
        "broker": [status.get("broker") or NO_BROKER],
        "readings": _readings(status["readings"], now),
        "a minute": _rates(status["rates"]),
        "skids": _skids(status["skids"], now),
        "former": _former(status.get("former", {}), now),
        "clocks": _clocks(status.get("clocks", {})),
        "alarms": alarm_lines(status.get("alarms", ()), now),
        "forecast": _forecasts(status.get("forecasts", {})),
        "closures": _closures(status.get("closures", {}), now),
        "events": [number(status["events"])],
        "set aside": _set_aside(quarantine, now),
        "outbox": _outbox(status["outbox"], now),
        "requests": [f"{number(status['open_requests'])} open"],
    }
    for name, told in parts.items():
        for i, line in enumerate(told):
            yield f"{'' if i else name:<{MARGIN}}{line}"


def _store(status: Values) -> Iterator[str]:
    sizes = status["bytes"]
    yield status["path"]
    yield (f"{size(sizes['database'])}, of which {size(sizes['reusable'])} free for what comes; "
           f"log {size(sizes['log'])}; schema {status['schema']['number']}")


def _readings(readings: Values, now: int) -> Iterator[str]:
    each = readings["bytes_a_packed_reading"]
    packed = f" in {size(readings['packed_bytes'])}, {each:.2g} bytes each" if each is not None else ""
    total = readings["recent"] + readings["packed"]
    yield f"{number(total)} kept: {number(readings['recent'])} recent, {number(readings['packed'])} packed{packed}"
    if readings["newest"] is not None and readings["oldest"] is not None:
        yield f"oldest {_ago(readings['oldest'], now)}, newest {_ago(readings['newest'], now)}"


def _rates(rates: Values) -> Iterator[str]:
    for key, span_name in (("last_minute", "in the last whole minute"), ("last_hour", "on average of the last hour")):
        yield ", ".join(f"{number(rates[key][name])} {word}" for name, word in RATES) + f" {span_name}"


def _skids(skids: Mapping[str, Values], now: int) -> Iterator[str]:
    width = _width(skids)
    for skid, told in skids.items():
        newest, tick = told["newest"], told["tick"]
        heard = "nothing heard yet" if newest is None else f"newest reading {_ago(newest, now)}"
        # Time that passed without readings: how far silence has been judged.
        judged = f", silence judged up to {_ago(tick, now)}" if tick is not None and tick > (newest or 0) else ""
        yield f"{skid:<{width}}  {heard}{judged}"
    if not skids:
        yield "none yet"


def _former(skids: Mapping[str, Values], now: int) -> Iterator[str]:
    """Skids that are configured no more. What was stored of them stays as long as other readings."""
    for skid, told in skids.items():
        heard = "nothing was heard of it" if told["newest"] is None else f"newest reading {_ago(told['newest'], now)}"
        yield f"{skid} is not configured any more: {heard}"


def standing(states: Mapping[Any, Values]) -> list[Values]:
    """Alarms that are not normal, the newest last."""
    found = [dict(body) for body in states.values() if body["state"] != "normal" and body.get("id")]
    return sorted(found, key=lambda body: int(body["since"]))


def alarm_lines(alarms: Sequence[Values], now: int) -> Iterator[str]:
    width = _width(a["id"] for a in alarms)
    for a in alarms:
        until = f", until {_ago(a['until'], now)}" if a.get("until") else ""
        follows = f", follows from {a['cause']}" if a.get("cause") else ""
        yield f"{a['id']:<{width}}  {a['state']} since {_ago(a['since'], now)}{until}{follows}"
    if not alarms:
        yield "none stands"

class Foreseen(msgspec.Struct):
    """Of a checkpoint, what is known of the next changeout: (time, p10, p50, p90 in h), else why nothing is."""

    latest: tuple[int, float, float, float] | None = None
    silence: str = "nothing has been seen yet"


class Kept(msgspec.Struct):
    """What is read of a skid's story."""

    forecast: Foreseen = msgspec.field(default_factory=Foreseen)
    holds: dict[str, HoldAnswer] = {}


class _Engine(msgspec.Struct):
    story: Kept


class _Checkpoint(msgspec.Struct):
    engine: _Engine


def kept_of(reader: Reader, skid: str) -> Kept:
    """From the newest checkpoint."""
    checkpoint = reader.checkpoint(skid)
    if checkpoint is None:
        return Kept()
    try:
        return msgspec.json.decode(checkpoint.state, type=_Checkpoint).engine.story
    except msgspec.DecodeError:
        return Kept(Foreseen(silence="its checkpoint is of another version"))


def forecast_of(kept: Kept) -> dict[str, Any]:
    """p10_h, p50_h, p90_h and time (ns) of the forecast, or why there is none."""
    found = kept.forecast
    if found.latest is None:
        return {"silence": found.silence}
    return dict(zip(("time", "p10_h", "p50_h", "p90_h"), found.latest, strict=True))


def closures_of(skid: SkidSettings, kept: Kept) -> dict[str, Values]:
    """Vessel -> answer, why, since and until (ns or None) of what was last seen of its closure while it was held."""
    return {vessel: msgspec.to_builtins(last_of(skid, kept.holds, vessel)) for vessel in skid.vessels}


def _closures(closures: Mapping[str, Mapping[str, Values]], now: int) -> Iterator[str]:
    """Vessels of which the same can be said share a line."""
    width = _width(closures)
    for skid, vessels in closures.items():
        alike: dict[str, list[str]] = {}
        for vessel, told in vessels.items():
            held = "" if told["until"] is None else f", held until {_ago(told['until'], now)}"
            alike.setdefault(f"{told['answer']}{held}: {told['why']}", []).append(vessel)
        for said, names in alike.items():
            yield f"{skid:<{width}}  {', '.join(names)}  {said}"
    if not closures:
        yield "nothing seen yet"


def clocks_of(reader: Reader, skid: str) -> dict[str, Any]:
    """What is known of each signal's clock: signal -> word, lag_s, error_s, transients, against."""
    facts = reader.facts(skid)
    return {key.removeprefix(CLOCK): fact.value for key, fact in sorted(facts.items()) if key.startswith(CLOCK)}


def _clocks(clocks: Mapping[str, Mapping[str, Values]]) -> Iterator[str]:
    width = _width(clocks)
    for skid, told in clocks.items():
        for name, clock in told.items():
            yield f"{skid:<{width}}  {clock_words(name, clock)}"
    if not any(clocks.values()):
        yield "not compared yet: that takes three sharp moves of pressure, as of a pump that starts"


def clock_words(name: str, clock: Values) -> str:
    """What is known of one signal's clock.

    >>> clock_words("PT-2", {"word": "apart", "lag_s": 12.1, "error_s": 0.3, "transients": 5, "against": "PT-1"})
    'PT-2 comes 12.1 s after PT-1 (+- 0.3 s, by 5 transients): values are laid side by side'
    """
    basis = f"(+- {clock['error_s']:.1f} s, by {clock['transients']} transients)"
    if clock["word"] == "in step":
        return f"{name} is in step with {clock['against']} {basis}"
    order = "after" if clock["lag_s"] > 0 else "before"
    lag = f"{abs(clock['lag_s']):.1f} s {order} {clock['against']}"
    return f"{name} comes {lag} {basis}: values are laid side by side"


def _forecasts(forecasts: Mapping[str, Values]) -> Iterator[str]:
    width = _width(forecasts)
    for skid, told in forecasts.items():
        if "silence" in told:
            yield f"{skid:<{width}}  none: {told['silence']}"
        else:
            yield (f"{skid:<{width}}  changeout due in {told['p50_h']:.3g} h (80 %: {told['p10_h']:.3g} to "
                   f"{told['p90_h']:.3g} h) from {to_rfc3339(told['time'])}")
    if not forecasts:
        yield "none yet"


def _set_aside(counts: Sequence[QuarantineCount], now: int) -> Iterator[str]:
    rows = [(c.skid or "no skid", c.signal or "no signal", str(c.reason), number(c.number), c.last) for c in counts]
    skid, signal, reason, amount = (_width(row[i] for row in rows) for i in range(4))
    for row in rows:
        yield (f"{row[0]:<{skid}}  {row[1]:<{signal}}  {row[2]:<{reason}}  {row[3]:>{amount}}, "
               f"the last {_ago(row[4], now)}")
    if not rows:
        yield "nothing"


def _outbox(channels: Mapping[str, Values], now: int) -> Iterator[str]:
    width = _width(channels)
    for channel, told in channels.items():
        facts = [f"{number(told['sent'])} sent", f"{number(told['queued'])} waiting"]
        if told["oldest_queued"] is not None:
            facts[-1] += f" since {span(max(0.0, (now - told['oldest_queued']) / NS))}"
        facts += [f"{number(told[key])} {word}" for key, word in (("refused", "refused"), ("dropped", "given up"))
                  if told[key]]
        yield f"{channel:<{width}}  {', '.join(facts)}"
        if told["failed_at"] is not None and (told["queued"] or told["refused"]):
            yield f"{'':<{width}}  failed {_ago(told['failed_at'], now)}: {told['last_error']}"
    if not channels:
        yield "nothing yet"


def _ago(then: int, now: int) -> str:
    return ago((now - then) / NS)


def _width(names: Any) -> int:
    return max(map(len, names), default=0)
