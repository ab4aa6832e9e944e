"""What faults of transmitters rest on, and reversed dP."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from monitor.conditioning import zero
from monitor.conditioning.frozen import DOZENS
from monitor.conditioning.pair import ACCURACY, KNOWN, NOISES, REVERSE_AFTER, REVERSE_LEAST, REVERSE_SPAN
from monitor.conditioning.range import FAIL_ABOVE, FAIL_BELOW
from monitor.conditioning.spikes import NOISES as SPIKE_NOISES
from monitor.conditioning.stale import silence_ends
from monitor.engine import codes, layout_signals
from monitor.engine.evidence import Basis, Explain, Moment, percent
from monitor.engine.resolution import drop_noise, interval_of, noise_of
from monitor.engine.wording import Words
from monitor.model import NS, Role
from monitor.skid import Signal


class Faulty:
    """A signal, and what is known of it."""

    def __init__(self, at: Moment) -> None:
        self.at = at
        self.k = at.skid.index(at.event.signal or "") or 0
        self.signal: Signal = at.skid.signals[self.k]
        self.health: np.record = at.tier.state.health[at.i, self.k]
        self.limits: np.record = at.tier.parameters.health[at.i, self.k]
        self.times = at.skid.alarms["signal-fault"].extra

    @property
    def unit(self) -> str:
        """SI unit of the signal."""
        return {Role.FLOW: "m^3/s", Role.TEMPERATURE: "K", Role.TURBIDITY: "NTU"}.get(self.signal.role, "Pa")

    @property
    def span(self) -> float:
        """SI."""
        return (self.signal.high - self.signal.low) * self.signal.scale


def stale(f: Faulty) -> Basis:
    heard = int(f.health.heard) or int(f.at.tier.state.pair[f.at.i].started)
    allowed = (int(silence_ends(f.health, f.limits, heard)) - heard) / NS
    rule = (f"Raised when the signal has been silent for {allowed:.0f} s, the longer of its limit and what its own "
            "interval makes usual; cleared when it is heard again.")  # fmt: skip
    if f.health.gone:
        rule = "Raised at once, since what sends the signal is known to be gone; cleared when it is heard again."
    return Basis(
        rule=rule,
        since=heard, what="silence", value=(f.at.event.time - heard) / NS, against_what="silence that is told",
        against=allowed, unit="s", smallest_what="silence that would have been told", smallest=allowed,
        smallest_unit="s", ruled_out=("a failed loop: that is out-of-range", "a row that was only late"),
    )  # fmt: skip


def frozen(f: Faulty) -> Basis:
    weight = max(float(f.health.weight[0]), float(f.health.weight[1]))
    needed = DOZENS / weight * interval_of(f.at.tier, f.at.i, f.k) if weight > 0 else 0.0
    return Basis(
        rule=f"Raised when the value has not changed once for {f.times['frozen']:.0f} s while the signal's own noise "
        f"should have changed it {DOZENS:.0f} times; cleared when it moves again.",
        since=f.at.begun, what="changes that its noise should have made", value=float(f.health.expected),
        against_what="changes missed that are told" if f.at.raised else "changes missed that were told",
        against=DOZENS, unit="1",
        smallest_what="standstill that would have been told", smallest=max(needed, f.times["frozen"]),
        smallest_unit="s", ruled_out=("a flow of exactly zero", "a value at an end of its span", "a coarse converter"),
    )  # fmt: skip


def failed(f: Faulty) -> Basis:
    value = f.at.number("value") if f.at.raised else float(f.health.last)
    share = (value - f.signal.low) / (f.signal.high - f.signal.low)
    above = share > 0.5
    return Basis(
        rule=f"Raised when the signal has been at or beyond {percent(-FAIL_BELOW, 1)} or {percent(1 + FAIL_ABOVE, 2)} "
        f"of its span (NAMUR NE 43) for {f.times['failed_loop']:.0f} s; cleared when it is back within them.",
        since=f.at.begun, what="value as part of its span", value=share, against_what="failure limit",
        against=1 + FAIL_ABOVE if above else -FAIL_BELOW, unit="1",
        smallest_what="time beyond the limit that would have been told", smallest=f.times["failed_loop"],
        smallest_unit="s", ruled_out=("one lost sample", "a word of its source in the place of a value"),
    )  # fmt: skip


def swapped(f: Faulty) -> Basis:
    known = f.at.tier.state.zero[f.at.i, 0].known > 0
    error = ACCURACY * (KNOWN if known else 1.0) * float(f.at.tier.parameters.skid[f.at.i].pair_span)
    least = max(error, NOISES * drop_noise(f.at.tier, f.at.i))
    return Basis(
        rule=f"Raised when dP reads reversed beyond the pair's zero error for {f.times['swapped']:.0f} s although flow "
        "goes forward, or the two headers changed places; cleared when dP is the right way round.",
        since=f.at.begun, what="dP as read", value=(f.at.event.value or 0.0) * 1e5,
        against_what="reversed dP that is told", against=-least, unit="Pa",
        smallest_what="reversed dP that would have been told", smallest=least, smallest_unit="Pa",
        ruled_out=("reversed flow: nothing flows backwards while flow is measured forward",),
    )  # fmt: skip


def shifted(f: Faulty) -> Basis:
    tier, i = f.at.tier, f.at.i
    direct = f.k == int(tier.parameters.skid[i].role[codes.DIFFERENTIAL])
    record = tier.state.zero[i, 1 if direct else 0]
    span = f.span if direct else float(tier.parameters.skid[i].pair_span)
    spread = drop_noise(tier, i) * math.sqrt(max(interval_of(tier, i, f.k), 1.0) / zero.BLOCK)
    shift = (f.at.event.value or 0.0) * 1e5
    least = float(zero.limit_of(record, tier.state.pair[i], span, spread, shift))
    against = least if f.at.raised else zero.RETURNED * least
    return Basis(
        rule=f"Raised {f.times['zero_shift'] / 2:.0f} s into a no-flow with an equalised path when dP has moved by "
        f"{Words(f.at.skid).pressure(least)} or more against what earlier stops, or a sound pair, show; cleared when "
        "it is back.",
        since=f.at.begun, what="shift of dP without flow", value=abs(shift), against_what="shift that is told"
        if f.at.raised else "shift below which it is back", against=against, unit="Pa",
        smallest_what="shift of zero that would have been told", smallest=least, smallest_unit="Pa",
        ruled_out=("elevation between the taps: it is learned", "a small flow", "a path that is not equalised"),
    )  # fmt: skip


def spikes(f: Faulty) -> Basis:
    noise = noise_of(f.at.tier, f.at.i, f.k)
    size = abs(float(f.health.spike) - float(f.health.around)) * f.signal.scale
    return Basis(
        rule=f"Raised at {layout_signals.SPIKES_KEPT} lone spikes within {f.times['spikes'] / 60:.0f} min (Hampel: "
        f"beyond 3 scaled MAD of 11 readings and {SPIKE_NOISES:.0f} times the signal's noise); cleared after as long "
        "without one.",
        since=f.at.event.time - round(f.times["spikes"]) * NS, what="height of the newest spike", value=size,
        against_what="height that counts", against=SPIKE_NOISES * noise, unit=f.unit,
        smallest_what="spike that would have been counted", smallest=SPIKE_NOISES * noise,
        smallest_unit=f.unit,
        ruled_out=("a transient of the process: other transmitters would have seen it too",),
    )  # fmt: skip


DETAILS: dict[str, Callable[[Faulty], Basis]] = {
    "stale": stale, "frozen": frozen, "out-of-range": failed, "swapped": swapped, "zero-shift": shifted,
    "spikes": spikes,
}  # fmt: skip


def faulty(at: Moment) -> Basis:
    return DETAILS[at.event.detail or ""](Faulty(at))


def reversed_drop(at: Moment) -> Basis:
    pair = [s for s in at.skid.signals if str(s.role) in ("inlet-pressure", "outlet-pressure")]
    least = max(REVERSE_SPAN * max((s.high - s.low) * s.scale for s in pair), REVERSE_LEAST)
    return Basis(
        rule=f"Noted when the outlet header has held {Words(at.skid).pressure(least)} more than the inlet for "
        f"{REVERSE_AFTER} s while nothing flows forward.",
        since=at.begun, what="dP", value=(at.event.value or 0.0) * 1e5, against_what="reversed dP that is told",
        against=-least, unit="Pa", smallest_what="reversed dP that would have been told", smallest=least,
        smallest_unit="Pa", ruled_out=("swapped tags: flow would go forward",),
    )  # fmt: skip


SIGNALS: dict[str, Explain] = {"signal-fault": faulty, "reverse-dp": reversed_drop}
