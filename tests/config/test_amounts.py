"""Amounts of data: `[store] outbox_limit`. Prefixes as in the SI brochure (2019) table 7 and in IEC 80000-13."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.errors import Fault
from monitor.settings import Settings

Faults = Callable[..., list[Fault]]

RIGHT = [("2 GB", 2_000_000_000), ("1MB", 1_000_000), ("0.5 GiB", 536_870_912), ("1500 kB", 1_500_000),
         ("1 TiB", 1_099_511_627_776)]
WRONG = [("2", '"2"'), ("2 gb", '"2 gb"'), ("2 Gbit", "Gbit"),
         ("-2 GB", "-2 GB"), ("1e3 MB", "1e3"), ("0.9 MB", "0.9 MB"), ("10000000 TiB", "TiB"), ("٣ GB", "GB")]


@pytest.mark.parametrize(("text", "wanted"), RIGHT)
def test_an_amount_is_read_exactly(base: str, load_text: Callable[..., Settings], text: str, wanted: int) -> None:
    assert load_text(f'{base}[store]\noutbox_limit = "{text}"\n').store.outbox_limit == wanted


@pytest.mark.parametrize(("text", "shown"), WRONG)
def test_what_is_no_amount_is_told_with_what_is_accepted(base: str, faults_of: Faults, text: str, shown: str) -> None:
    (fault,) = faults_of(f'{base}[store]\noutbox_limit = "{text}"\n')
    assert fault.key.startswith("store.outbox_limit") and shown in fault.found
    assert '"2 GB"' in fault.accepted and "at least 1 MB" in fault.accepted


def test_a_bare_number_is_refused_for_want_of_a_unit(base: str, faults_of: Faults) -> None:
    (fault,) = faults_of(f"{base}[store]\noutbox_limit = 2000000000\n")
    assert "without a unit" in fault.found
