"""What other protocols give, as the JSON that one decoder reads, whatever type a variable turns out to have."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import pytest
from asyncua import ua
from store.samples import skid

from monitor.ingest.decode import Decoded, Decoder, Refused
from monitor.ingest.reading import reading
from monitor.model import NS, Quality, Reason

SIGNAL = skid().signals[0]
NOW = 1_700_000_000 * NS


@pytest.mark.parametrize(("value", "wanted"), [(1.5, 1.5), (3, 3.0), (2**63, 2.0**63), ("1.5", 1.5)])
def test_numbers_stay(value: Any, wanted: float) -> None:
    found = Decoder(SIGNAL).decode(reading(SIGNAL, value, NOW, NOW).payload, NOW)
    assert isinstance(found, Decoded)
    assert (found.value, found.time) == (wanted, NOW)


@pytest.mark.parametrize("value", [
    b"\xff" * 9, datetime(2026, 1, 1, tzinfo=UTC), UUID(int=1), [1.0, 2.0], "1.5 bar", ua.Range(0.0, 1.0),
    ua.LocalizedText("1.5"), ua.QualifiedName("x"), {"a": 1}, "\ud800", float("nan"), 1j,
])
def test_what_is_no_number_is_refused_with_a_reason_and_breaks_nothing(value: Any) -> None:
    found = Decoder(SIGNAL).decode(reading(SIGNAL, value, NOW, NOW).payload, NOW)
    reason = found.reason
    assert reason in (Reason.UNDECODABLE, Reason.NOT_FINITE), found
    assert isinstance(found, Refused) or found.quality is Quality.BAD
