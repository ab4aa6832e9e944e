"""labels.json is read as the contract describes it, and what is wrong in it is said so that it can be mended."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import InputError
from monitor.tuning.labels import labels_of, read_labels

GOOD = {"time": "2026-04-14T07:16:00Z", "kind": "surge", "within_s": 180}


def test_keys_that_are_not_known_are_left_alone_and_defaults_are_the_contracts() -> None:
    known = labels_of({"events": [GOOD | {"size": 0.4}], "family": "surge", "proposals": [{}, {}]}, "labels.json")
    (label,) = known.events
    assert label.early_s == 30 and label.end == label.last and label.vessel is None and known.proposals == 2


@pytest.mark.parametrize(
    ("document", "said"),
    [
        ({"events": [GOOD, GOOD | {"time": "14.04.2026 07:16"}]}, 'events[1].time: found "14.04.2026 07:16"'),
        ({"events": [{"time": GOOD["time"], "within_s": 1}]}, "events[0].kind: found nothing"),
        ({"events": [GOOD | {"within_s": -1}]}, "events[0].within_s: found -1"),
        ({"events": [GOOD | {"within_s": True}]}, "events[0].within_s: found true"),
        ({"events": [GOOD | {"verdict_ok": "good"}]}, 'events[0].verdict_ok: found "good"'),
        ({"events": {}}, "events: found no list"),
        ({"decoys": [7]}, "decoys[0]: found no object"),
        ({"allowed": [{"kind": "surge", "time": GOOD["time"]}]}, "allowed[0].until: found nothing"),
        ([], "found no object"),
    ],
)
def test_what_is_wrong_is_named_with_its_place(document: Any, said: str, tmp_path: Path) -> None:
    path = tmp_path / "labels.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_labels(path)
    assert said in str(told.value) and "accepted:" in str(told.value) and str(path) in str(told.value)


@pytest.mark.parametrize("content", [b"{", b"\xff\xfe", b"[" * 100_000, None])
def test_a_file_that_is_no_json_or_is_not_there_is_said_so(content: bytes | None, tmp_path: Path) -> None:
    path = tmp_path / "labels.json"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError, match="accepted"):
        read_labels(path)
