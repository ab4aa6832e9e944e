"""The OPC UA server as a client of another origin sees it: node-opcua shares no code with the library that serves."""

from __future__ import annotations

import json
import os
import subprocess
from datetime import timedelta
from pathlib import Path

import pytest
from services import find
from store.samples import START

from monitor.model import NS
from tests.opcua.plant import OPERATOR, T0, serving

CLIENT = Path(__file__).with_name("client") / "client.cjs"


@pytest.mark.needs("node-opcua")
def test_another_client_browses_reads_is_told_of_an_alarm_acknowledges_it_and_reads_history(tmp_path: Path) -> None:
    node = find("node-opcua")
    assert node is not None
    with serving(tmp_path) as plant:
        asked = {
            "url": plant.url, "user": OPERATOR[0], "password": OPERATOR[1], "certificate": str(tmp_path / "client.pem"),
            "key": str(tmp_path / "client-key.pem"), "pki": str(tmp_path / "pki"), "skid": "intake-1",
            "trusted": [str(tmp_path / "bagwright-opcua.pem")], "signals": ["PT-101", "PT-102"],
            "from": T0.isoformat(), "to": (T0 + timedelta(seconds=60)).isoformat(),
            "until": (T0 + timedelta(hours=1)).isoformat(),
        }  # fmt: skip
        done = subprocess.run([node, CLIENT], input=json.dumps(asked), capture_output=True, encoding="utf-8",
                              timeout=90, env=os.environ | {"HOME": str(tmp_path)}, check=False)
        assert done.returncode == 0, done.stderr[-2_000:]
        latest = plant.store.latest("intake-1")
        stored = plant.store.rows("intake-1", START, START + 61 * NS, ["PT-101"])
        journal = [(e.step, e.who, e.via, e.why) for e in plant.store.journal(limit=20) if e.who]
    seen = json.loads(done.stdout)
    assert seen["browsed"]["ns=2;s=skids"] == ["intake-1", "monitor"]
    assert seen["browsed"]["ns=2;s=intake-1/signals"] == ["PT-101", "PT-102", "FT-101"]
    assert seen["values"] == {
        "PT-101": {"value": latest["PT-101"][1], "status": "Good", "time": "2026-01-01T00:59:59.500Z", "unit": "bar",
                   "code": 4342098, "low": 0, "high": 10},      # the example of OPC 10000-8, 5.6.3
        "PT-102": {"value": latest["PT-102"][1], "status": "UncertainEngineeringUnitsExceeded",
                   "time": "2026-01-01T00:59:59.000Z", "unit": "bar", "code": 4342098, "low": 0, "high": 10},
    }  # fmt: skip
    assert seen["changed"] == latest["PT-101"][1] and seen["written"] == "BadUserAccessDenied"
    assert seen["refreshed"] == "Good"
    alarm = seen["alarm"]
    assert (alarm["ConditionId"], alarm["ConditionName"], alarm["Message"], alarm["Severity"], alarm["Retain"]) == (
        "ns=2;s=alarm/intake-1/dp-limit", "dp-limit PDAHH out-of-specification", "dP nears the limit", 800, True)
    assert (seen["unknown"], seen["acknowledged"]) == ("BadEventIdUnknown", "Good")
    assert seen["again"] == "BadConditionBranchAlreadyAcked"
    assert (seen["after"]["Comment"], seen["after"]["ClientUserId"]) == ("seen from the control room", OPERATOR[0])
    assert ("ack", OPERATOR[0], "opcua", "seen from the control room") in journal
    times = [f"2026-01-01T00:{(t - START) // NS // 60:02d}:{(t - START) // NS % 60:02d}.000Z" for t in stored.time]
    assert [(time, value) for time, value, _ in seen["history"]] == list(zip(times, stored.value, strict=True))
    assert len(times) == 61
    assert seen["past"] == [
        ["dP nears the limit", "dp-limit PDAHH out-of-specification", "2026-01-01T00:50:00.000Z"]]
