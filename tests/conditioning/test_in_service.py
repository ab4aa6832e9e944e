"""Faults put into seeded days of service are found in their time; days without fault are quiet."""

from __future__ import annotations

import pytest

from tests.conditioning.helpers import run
from tests.conditioning.streams import KINDS, day, second

CASES = 12


@pytest.mark.parametrize("kind", KINDS)
def test_every_fault_is_found_in_its_time_with_its_detail_and_signal_and_nothing_else_is(kind):
    for seed in range(CASES):
        case = day(seed, hours=5, kind=kind)
        raised = [e for e in run(case.rows, case.skid)[1] if e.transition != "cleared"]
        assert [e.detail for e in raised] == [kind], seed
        if kind != "zero-shift":
            assert raised[0].signal == case.signal, seed
        assert 0 <= second(raised[0].time) - case.begin <= case.within, seed


def test_days_of_service_without_a_fault_tell_nothing():
    for seed in range(10):
        case = day(100 + seed)
        assert run(case.rows, case.skid)[1] == [], seed
