"""A real store with two hours of an invented skid, and the page over it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from display_samples import event, hatchery_skid
from page_plant import Plant, build, served

from monitor.model import Event


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Plant]:
    made = build(tmp_path, (hatchery_skid(), hatchery_skid("raceway", "Raceway make-up")))
    yield made
    made.store.close()


@pytest.fixture
def site(plant: Plant) -> Iterator[str]:
    with served(plant) as address:
        yield address


@pytest.fixture
def client(site: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=site, timeout=10, trust_env=False) as made:
        yield made


@pytest.fixture
def due() -> Event:
    message = "Normalised dP has reached 1.00 bar at 58 m^3/h."
    return event(118, "changeout-due", message=message, value=1.001, unit="bar")
