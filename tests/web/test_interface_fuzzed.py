"""The JSON interface under requests made from its own description: no server error, and answers as described."""

from __future__ import annotations

from typing import Any

import httpx
import pytest
import schemathesis
from display_samples import MINUTE, START, event
from hypothesis import HealthCheck, given, seed, settings
from page_plant import Plant

from monitor.model import Event, Transition

pytestmark = [pytest.mark.timeout(120), pytest.mark.filterwarnings("ignore::DeprecationWarning")]
EXAMPLES = 12


def test_no_request_that_the_description_allows_or_forbids_ends_in_a_server_error(site: str, plant: Plant, due: Event,
                                                                                 monkeypatch: pytest.MonkeyPatch
                                                                                 ) -> None:
    monkeypatch.setattr("monitor.web.access.Limit.wait", lambda *_: 0.0)
    plant.say(due)
    plant.say(event(60, "changeout-done", Transition.NOTED, vessel="V1", detail="good", value=1.0,
                    evidence={"returned_at": START + MINUTE}))
    schema = schemathesis.openapi.from_url(f"{site}/api/v1/openapi.json", timeout=60)
    operations = [found.ok() for found in schema.get_all_operations()]
    assert len(operations) == 12
    assert all(fuzz(operation, site) for operation in operations)
    assert httpx.get(f"{site}/healthz", trust_env=False).status_code == 200


def fuzz(operation: Any, site: str) -> int:
    """Puts requests made from an operation's description; returns how many."""
    count = 0

    @seed(1)
    @settings(max_examples=EXAMPLES, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(case=operation.as_strategy())
    def ask(case: schemathesis.Case) -> None:
        nonlocal count
        count += 1
        answer = case.call(base_url=site)
        assert answer.status_code < 500
        case.validate_response(answer)

    ask()
    return count
