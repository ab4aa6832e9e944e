"""A small valid configuration, and the faults that come of changing it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from monitor.config import load
from monitor.errors import ConfigError, Fault
from monitor.settings import Settings

BASE = """\
[skid]
id = "intake-1"
name = "River intake"
vessels = ["east", "west"]

[skid.element]
rating_um = 25
area = "0.41 m^2"
changeout_dp = "1.0 bar"
max_dp = "2.4 bar"
clean_dp = "0.16 bar"

[skid.reference]
flow = "40 m^3/h"
temperature = "15 degC"

[[signal]]
id = "PT-101"
role = "inlet-pressure"
topic = "hatchery/PT-101"
unit = "bar"
range = [0.0, 10.0]

[[signal]]
id = "PT-102"
role = "outlet-pressure"
topic = "hatchery/PT-102"
unit = "bar"
range = [0.0, 10.0]

[[signal]]
id = "FT-101"
role = "flow"
topic = "hatchery/FT-101"
unit = "m^3/h"
range = [0.0, 60.0]
"""

Loads = Callable[..., Settings]
Faults = Callable[..., list[Fault]]


@pytest.fixture
def base() -> str:
    return BASE


@pytest.fixture
def load_text(tmp_path: Path) -> Loads:
    def loads(text: str, environ: Mapping[str, str] | None = None) -> Settings:
        file = tmp_path / "skid.toml"
        file.write_text(text, encoding="utf-8")
        return load(file, environ)

    return loads


@pytest.fixture
def faults_of(load_text: Loads) -> Faults:
    def faults(text: str, environ: Mapping[str, str] | None = None) -> list[Fault]:
        with pytest.raises(ConfigError) as caught:
            load_text(text, environ)
        return list(caught.value.faults)

    return faults


@pytest.fixture
def changed(base: str) -> Callable[..., str]:
    """The valid text with pieces replaced, each of which must be there."""

    def change(*pairs: tuple[str, str], more: str = "") -> str:
        text = base
        for old, new in pairs:
            assert old in text
            text = text.replace(old, new, 1)
        return text + more

    return change
