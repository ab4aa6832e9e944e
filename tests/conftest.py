"""What every test meets: the programs it needs, and one thread for linear algebra."""

from __future__ import annotations

import importlib.util
import os
from collections import Counter

import pytest

MISSING = "not run without "

# The same bits on every run, and two workers do not fight for two cores. Read when numpy is imported, later.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


def pytest_runtest_setup(item: pytest.Item) -> None:
    """`needs(NAME)`, a program or a module: missing in CI a failure, elsewhere counted in the summary."""
    from services import find

    for marker in item.iter_markers("needs"):
        for name in marker.args:
            if find(name) is None and importlib.util.find_spec(name) is None:
                if os.environ.get("CI"):
                    pytest.fail(f"{name} is missing, and in CI everything must run", pytrace=False)
                pytest.skip(MISSING + name)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say loudly what was not run and why."""
    missing = Counter(
        report.longrepr[2].partition(MISSING)[2]
        for report in terminalreporter.stats.get("skipped", [])
        if isinstance(report.longrepr, tuple) and MISSING in report.longrepr[2]
    )
    for what, count in missing.items():
        terminalreporter.section(f"{count} TESTS NOT RUN", red=True, bold=True)
        terminalreporter.line(f"missing: {what}; `python3 tests/run` fetches programs by itself where apt-get is")
