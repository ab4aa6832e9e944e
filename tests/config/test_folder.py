"""A folder of files: many skids, and shared tables once."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config import load
from monitor.errors import ConfigError


def second(base: str) -> str:
    return base.replace('id = "intake-1"', 'id = "intake-2"').replace("hatchery/", "hatchery/2/")


def write(folder: Path, **texts: str) -> None:
    for name, text in texts.items():
        (folder / f"{name}.toml").write_text(text)


def test_each_file_of_a_folder_is_a_skid_and_other_files_are_left_alone(tmp_path: Path, base: str) -> None:
    write(tmp_path, b=base, a=second(base))
    (tmp_path / "notes.txt").write_text("not TOML")
    (tmp_path / "old.toml").mkdir()
    settings = load(tmp_path)
    assert [skid.id for skid in settings.skids] == ["intake-2", "intake-1"]
    assert settings.skids[0].source == str(tmp_path / "a.toml")


def test_shared_tables_may_stand_in_one_file_of_their_own_or_alike_in_several(tmp_path: Path, base: str) -> None:
    write(tmp_path, a=base, b=second(base), site='[broker]\nhost = "10.1.1.1"\n[store]\npath = "s.db"\n')
    settings = load(tmp_path)
    assert settings.broker.host == "10.1.1.1" and settings.store.path == str(tmp_path / "s.db")
    write(tmp_path, b=second(base) + '[broker]\nhost = "10.1.1.1"\n')
    assert load(tmp_path).broker.host == "10.1.1.1"


def test_two_different_shared_tables_are_one_fault_that_names_both_files(tmp_path: Path, base: str) -> None:
    write(tmp_path, a=base + '[broker]\nusername = "x"\n', b=second(base) + '[broker]\nusername = "y"\n')
    with pytest.raises(ConfigError) as caught:
        load(tmp_path)
    (fault,) = caught.value.faults
    assert fault.file == str(tmp_path / "b.toml") and fault.key.startswith("broker")
    assert str(tmp_path / "a.toml") in fault.found


def test_a_skid_id_and_a_topic_belong_to_one_file(tmp_path: Path, base: str) -> None:
    write(tmp_path, a=base, b=base)
    with pytest.raises(ConfigError) as caught:
        load(tmp_path)
    keys = [fault.key.partition(" ")[0] for fault in caught.value.faults]
    assert keys == ["skid.id", "signal[0].topic", "signal[1].topic", "signal[2].topic"]
    assert all(fault.file == str(tmp_path / "b.toml") and str(tmp_path / "a.toml") in fault.found
               for fault in caught.value.faults)


def test_one_topic_may_carry_several_signals_in_fields_of_their_own(tmp_path: Path, base: str) -> None:
    text = base.replace("hatchery/PT-102", "hatchery/PT-101") + '[signal.payload]\n'
    shared = text.replace('range = [0.0, 10.0]\n\n[[signal]]\nid = "FT-101"',
                          'range = [0.0, 10.0]\npayload = {value_field = "p2"}\n\n[[signal]]\nid = "FT-101"')
    write(tmp_path, a=shared)
    assert len({signal.topic for signal in load(tmp_path).skids[0].signals}) == 2
    write(tmp_path, a=shared.replace('"p2"', '"value"'))
    with pytest.raises(ConfigError, match="PT-101"):
        load(tmp_path)


def test_faults_of_all_files_come_at_once_in_the_order_of_files(tmp_path: Path, base: str) -> None:
    write(tmp_path, a="[skid\n", b=base.replace('"15 degC"', "15"), c=second(base).replace('"0.41 m^2"', "1"))
    with pytest.raises(ConfigError) as caught:
        load(tmp_path)
    assert [Path(fault.file).name for fault in caught.value.faults] == ["a.toml", "b.toml", "c.toml"]


def test_an_unreadable_skid_file_beside_shared_tables_is_the_only_fault(tmp_path: Path) -> None:
    write(tmp_path, a="[skid\n", site='[web]\nport = 8000\n')
    with pytest.raises(ConfigError) as caught:
        load(tmp_path)
    assert len(caught.value.faults) == 1


def test_an_alarm_or_skid_table_without_the_rest_is_a_fault_of_that_file(tmp_path: Path, base: str) -> None:
    write(tmp_path, a=base, site='[alarm.surge]\nlimit = "2 bar"\n')
    with pytest.raises(ConfigError) as caught:
        load(tmp_path)
    assert all(fault.file == str(tmp_path / "site.toml") for fault in caught.value.faults)
