"""Labels against the plant's truth and against the samples, over many seeds: right by construction, and so it shows."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from corpus import judge, seconds

from monitor.model import Event, Role, Transition
from monitor.simulation.scenarios import generate, scenarios
from monitor.simulation.story import Recording

LONG = ("quiet-week", "normal-service")
SHORT = [n for n in scenarios() if n not in LONG]
NS = 1_000_000_000
Array = npt.NDArray[np.float64]

recording = cache(generate)


def some(name: str, count: int = 6) -> Iterator[Recording]:
    for seed in range(count):
        yield recording(name, seed)


def at(r: Recording, label: dict[str, Any], key: str = "time") -> float:
    """Seconds since the recording began."""
    return seconds(label[key]) - r.start_ns / NS


def labels(r: Recording, kind: str) -> list[dict[str, Any]]:
    return [e for e in r.labels["events"] if e["kind"] == kind]


def samples(r: Recording, signal: str) -> tuple[Array, Array]:
    """Seconds since the start and values of one signal."""
    for group in r.groups:
        for column, index in enumerate(group.signals):
            if r.site.transmitters[index].id == signal:
                there = ~np.isnan(group.value[:, column])
                return (group.time[there] - r.start_ns) / NS, group.value[there, column]
    raise AssertionError(signal)


def truth_at(r: Recording, column: str, second: float) -> float:
    return float(np.interp(second, r.truth["second"], r.truth[column]))


@pytest.mark.parametrize("name", SHORT)
def test_every_label_lies_in_its_recording_and_says_what_the_contract_asks(name: str) -> None:
    for r in some(name):
        length = r.truth["second"][-1] + 60
        for event in r.labels["events"]:
            assert {"time", "kind", "vessel", "detail", "within_s"} <= set(event)
            assert 0 <= at(r, event) < at(r, event) + event["within_s"] <= length
            assert event["vessel"] in (None, *r.site.vessels)
            assert event.get("signal") in (None, *(t.id for t in r.site.transmitters))
        for span in (*r.labels["decoys"], *r.labels["allowed"]):
            assert at(r, span) < at(r, span, "until")
        assert r.labels["skid_days"] * 86_400 == pytest.approx(length, abs=70)


@pytest.mark.parametrize("name", SHORT)
def test_events_that_repeat_the_labels_are_all_found_and_none_is_false(name: str) -> None:
    for r in some(name, 3):
        said = [
            Event(
                round((seconds(e["time"]) + min(5, e["within_s"])) * NS), "s", e["kind"], Transition.RAISED, "",
                vessel=e["vessel"], detail=e["detail"],
            )
            for e in r.labels["events"]
        ]  # fmt: skip
        verdict = judge(r.labels, said, vessel_pressures=r.site.has("V"))
        assert not verdict.missed
        assert not verdict.false


@pytest.mark.parametrize("name", ["plain-loading", "demand-swings"])
def test_changeout_due_is_where_the_true_referred_dp_first_crosses_the_point(name: str) -> None:
    for r in some(name):
        [due] = labels(r, "changeout-due")
        reference, second = r.truth["dp_ref_bar"], r.truth["second"]
        limit = r.site.changeout_dp / 1e5
        first = int(np.argmax(reference >= limit))
        assert second[first - 1] <= at(r, due) <= second[first]
        early, late = at(r, due) - due["early_s"], at(r, due) + due["within_s"]
        assert truth_at(r, "dp_ref_bar", early) < limit < truth_at(r, "dp_ref_bar", late)
        left = r.truth["hours_to_due"][: first - 1]
        assert left == pytest.approx((at(r, due) - second[: first - 1]) / 3600, abs=1e-3)


def test_raw_dp_passes_the_point_often_while_demand_swings_and_referred_dp_once() -> None:
    passes = []
    for r in some("demand-swings"):
        limit = r.site.changeout_dp / 1e5
        crossings = [int(np.sum(np.diff(np.sign(r.truth[c] - limit)) > 0)) for c in ("dp_bar", "dp_ref_bar")]
        assert crossings[1] == 1
        passes.append(crossings[0])
    assert max(passes) >= 3


def test_a_breach_costs_what_its_label_says() -> None:
    seen = 0
    for r in some("torn-in-service", 10):
        for breach in labels(r, "element-breach"):
            moment = at(r, breach)
            k = int(np.searchsorted(r.truth["second"], moment))
            before, after = r.truth["dp_ref_bar"][k - 1], r.truth["dp_ref_bar"][k]
            # Loading within the minute between two rows of truth.
            assert 1 - after / before == pytest.approx(breach["size"], abs=0.01)
            torn = f"resistance_{breach['vessel']}_bar"
            assert r.truth[torn][k] < r.truth[torn][k - 1]
            assert breach["size"] >= 0.15
            assert breach["within_s"] >= (60 if breach["size"] >= 0.4 else 300)
            seen += 1
    assert seen >= 8


def test_an_element_lost_across_a_stop_is_labelled_at_the_restart() -> None:
    seen = 0
    for r in some("breach-after-restart", 10):
        for breach in labels(r, "element-breach"):
            assert breach["detail"] == "after-restart"
            flow = r.truth["flow_m3h"] / r.site.flow_ref / 3600
            second, moment = r.truth["second"], at(r, breach)
            stopped = flow[(second > moment - 120) & (second < moment - 10)] < 0.05
            heard = [samples(r, t.id)[0] for t in r.site.transmitters]
            silent = not any(np.any((s > moment - 300) & (s < moment - 1)) for s in heard)
            assert stopped.all() or silent
            before = truth_at(r, "dp_ref_bar", moment - 6100 if silent else moment - 90)
            assert truth_at(r, "dp_ref_bar", moment + 90) < 0.9 * before
            seen += 1
    assert seen >= 4


@pytest.mark.parametrize("name", ["good-changeouts", "bad-changeout"])
def test_a_changed_vessel_has_the_ratio_of_its_label(name: str) -> None:
    for r in some(name, 8):
        clean = r.site.clean_dp / 1e5
        for done in labels(r, "changeout-done"):
            assert at(r, done, "isolated_at") < at(r, done)
            own = truth_at(r, f"resistance_{done['vessel']}_bar", at(r, done) - 30)
            assert own / clean == pytest.approx(done["size"], rel=0.03)
            high, low = done["size"] > 1.30, done["size"] < 0.75
            assert done["detail"] == ("resistance-high" if high else "resistance-low" if low else "good")
            assert done["detail"] in done.get("verdict_ok", [done["detail"]])


def test_most_verdicts_can_be_told_and_every_bad_one_is_suspect_or_unclear() -> None:
    unclear, total = 0, 0
    for r in some("bad-changeout", 20):
        bad = [e for e in labels(r, "changeout-done") if e["detail"] != "good"]
        suspect = {e["time"] for e in labels(r, "changeout-suspect")}
        for done in bad:
            assert (done["time"] in suspect) != ("verdict_ok" in done)
            unclear, total = unclear + ("verdict_ok" in done), total + 1
    assert total >= 15
    assert unclear <= 0.5 * total


def test_isolated_vessels_read_nothing_while_open_and_the_header_when_back() -> None:
    seen = 0
    for r in (recording("good-changeouts", s, instruments="HFTV") for s in range(4)):
        pressures = {t.vessel: t for t in r.site.transmitters if t.role is Role.VESSEL_PRESSURE}
        for done in labels(r, "changeout-done"):
            t = pressures[done["vessel"]]
            second, value = samples(r, t.id)
            inside = (second > at(r, done, "isolated_at")) & (second < at(r, done))
            assert value[inside].min() < 0.01 * t.span
            assert abs(np.median(value[(second > at(r, done) + 10) & (second < at(r, done) + 60)])) > 0.05 * t.span
            seen += 1
    assert seen >= 4


def test_faulty_samples_are_as_their_label_says() -> None:
    seen: set[str] = set()
    for r in some("signal-faults", 14):
        by_id = {t.id: t for t in r.site.transmitters}
        for fault in labels(r, "signal-fault"):
            t = by_id[fault["signal"]]
            second, value = samples(r, t.id)
            begin, end = at(r, fault), at(r, fault, "until")
            inside = value[(second >= begin) & (second < end)]
            seen.add(fault["detail"])
            match fault["detail"]:
                case "stale":
                    assert inside.size == 0
                case "frozen":
                    assert np.unique(inside).size == 1
                    assert np.unique(value[second < begin]).size > 10
                case "out-of-range":
                    share = (inside - t.low) / t.span
                    assert np.all((share <= -0.025) | (share >= 1.0625))
                case "spikes":
                    first = value[(second >= begin) & (second < begin + 600)]
                    assert np.sum(np.abs(first - np.median(first)) > 0.03 * t.span) >= 5
                case "swapped":
                    outlet = r.site.ids(Role.OUTLET_PRESSURE)[0]
                    other = samples(r, outlet)
                    there = (other[0] >= begin) & (other[0] < end)
                    assert np.median(inside) < np.median(other[1][there])
                case "zero-shift":
                    pair = [samples(r, p) for p in fault["signal_ok"]]
                    one, two = (np.median(v[(s > begin) & (s < begin + 900)]) for s, v in pair)
                    # The transmitters' own zeros are within 0.1 % of span each, most of the time.
                    assert abs(abs(one - two) - fault["size"]) < 0.004 * t.span
    assert seen == {"stale", "frozen", "out-of-range", "spikes", "swapped", "zero-shift"}


def test_a_seeping_vessel_loses_what_its_time_constant_says_and_tight_ones_stay_within_the_allowance() -> None:
    seeps, tight = 0, 0
    for r in (recording("closure-seep", s, instruments="HFTV") for s in range(8)):
        pressures = {t.vessel: t for t in r.site.transmitters if t.role is Role.VESSEL_PRESSURE}
        for done in labels(r, "changeout-done"):
            seep = [e for e in labels(r, "closure-seep") if (e["vessel"], e["until"]) == (done["vessel"], done["time"])]
            tights = [d for d in r.labels["decoys"] if d["what"] == "tight hold"]
            hold = [d for d in tights if at(r, d) < at(r, done) < at(r, d, "until")]
            begin = at(r, (seep or hold)[0]) if seep or hold else math.nan
            second, value = samples(r, pressures[done["vessel"]].id)
            held = (second > begin + 10) & (second < begin + 460)
            if not np.any(held):
                continue
            slope, level = np.polyfit(second[held] - begin, value[held], 1)
            if seep:
                assert -level / slope / 60 == pytest.approx(seep[0]["size"], rel=0.35)
                seeps += 1
            else:
                assert abs(slope) * 450 < 0.15
                tight += 1
    assert seeps >= 3
    assert tight >= 3


def test_a_labelled_surge_stands_out_of_the_settled_levels_and_a_small_one_does_not() -> None:
    for r in some("surge", 8):
        for surge in labels(r, "surge"):
            assert surge["size"] >= 1.75
        for t in (t for t in r.site.transmitters if t.role is Role.OUTLET_PRESSURE):
            second, value = samples(r, t.id)
            bar = 1e5 / 6894.757293168361 if t.unit == "psi" else 100.0 if t.unit == "kPa" else 1.0
            for small in r.labels["decoys"]:
                near = (second > at(r, small)) & (second < at(r, small, "until") - 190)
                if near.sum() > 3:
                    assert value[near].max() - np.median(value) < 1.5 * bar


def test_flow_stops_and_dp_stands_while_the_skid_is_blocked() -> None:
    seen = 0
    for r in some("flow-blocked", 8):
        for blocked in labels(r, "flow-blocked"):
            second = r.truth["second"]
            inside = (second > at(r, blocked) + 5) & (second < at(r, blocked, "until") - 5)
            assert np.all(r.truth["flow_m3h"][inside] == 0.0)
            assert np.all(r.truth["dp_bar"][inside] > 0.3)
            seen += 1
    assert seen >= 8


def test_nothing_is_expected_of_decoys_but_the_transmitter_that_fails() -> None:
    for r in some("decoys", 8):
        assert {e["kind"] for e in r.labels["events"]} <= {"signal-fault", "changeout-due", "dp-limit"}
        assert len(r.labels["decoys"]) >= 1
