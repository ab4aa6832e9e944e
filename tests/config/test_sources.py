"""`[source]`, and where a signal is read: every mistake is named with its key."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config import load
from monitor.config.advice import warnings
from monitor.config.faults import ConfigError
from monitor.config.summary import describe
from monitor.settings import BrokerSettings
from monitor.skid import READ, ModbusPlace, OpcuaPlace, SparkplugPlace

TOPIC = 'topic = "hatchery/{}"'
PLC = '[[source.opcua]]\nid = "plc-1"\nurl = "opc.tcp://192.0.2.10:4840/"\n'
OPEN = PLC + 'security = "none"\n'
IO = '[[source.modbus]]\nid = "io-1"\nhost = "192.0.2.11"\n'
SPARKPLUG = 'sparkplug = { group = "hatchery", node = "intake", metric = "Inlet/Pressure" }'
OPCUA = 'opcua = { source = "plc-1", node = "nsu=urn:hatchery:plc;s=PT-102", raw = [0, 27648] }'
MODBUS = 'modbus = { source = "io-1", table = "input", address = 4, type = "float32", word_order = "little" }'


def written(tmp_path: Path, base: str, places: dict[str, str], more: str) -> Path:
    for tag, place in places.items():
        assert TOPIC.format(tag) in base
        base = base.replace(TOPIC.format(tag), place)
    path = tmp_path / "skid.toml"
    path.write_text(base + more)
    return path


def test_signals_are_read_where_their_tables_say(tmp_path: Path, base: str) -> None:
    places = {"PT-101": SPARKPLUG, "PT-102": OPCUA, "FT-101": MODBUS}
    found = load(written(tmp_path, base, places, OPEN + IO))
    by_id = {s.id: s for s in found.skids[0].signals}
    assert by_id["PT-101"].place == SparkplugPlace("hatchery", "intake", "Inlet/Pressure")
    assert by_id["PT-102"].place == OpcuaPlace("plc-1", "nsu=urn:hatchery:plc;s=PT-102", (0.0, 27648.0))
    assert by_id["FT-101"].place == ModbusPlace("io-1", "input", 4, "float32", "little")
    assert all(s.payload == READ and s.place and s.topic == s.place.address for s in by_id.values())
    opcua, modbus = found.source.opcua[0], found.source.modbus[0]
    assert (opcua.sampling_s, modbus.port, modbus.unit_id) == (1.0, 502, 1)


@pytest.mark.parametrize(("pt_101", "more", "wanted"), [
    (MODBUS, "", None),
    (MODBUS, '[broker]\nport = 1884\n', BrokerSettings(port=1884)),
    (MODBUS, '[command]\nmqtt = "trusted"\n', BrokerSettings()),
    (SPARKPLUG, "", BrokerSettings()),
    (TOPIC.format("PT-101"), "", BrokerSettings()),
])
def test_a_broker_is_spoken_to_only_where_something_goes_over_it(
    tmp_path: Path, base: str, pt_101: str, more: str, wanted: BrokerSettings | None
) -> None:
    places = {"PT-101": pt_101, "PT-102": OPCUA, "FT-101": MODBUS.replace("4", "8")}
    found = load(written(tmp_path, base, places, OPEN + IO + more))
    assert found.broker == wanted
    assert ("broker        none" in describe(found)) is (wanted is None)
    said = [text for text in warnings(found) if "nobody is told" in text]
    assert len(said) == (wanted is None)


@pytest.mark.parametrize(("place", "more", "key", "said"), [
    ("", "", "signal[0].topic", "or a table sparkplug, opcua or modbus"),
    (TOPIC.format("PT-101") + "\n" + SPARKPLUG, "", "signal[0].sparkplug", "one of them"),
    (SPARKPLUG + "\n[signal.payload]\nformat = \"number\"", "", "signal[0].payload", "only beside topic"),
    (SPARKPLUG.replace('"intake"', '"a/b"'), "", "signal[0].sparkplug.node", "without / + #"),
    (OPCUA, "", "signal[0].opcua.source", "there is none"),
    (OPCUA.replace("plc-1", "plc"), OPEN, "signal[0].opcua.source", "did you mean"),
    (OPCUA.replace("nsu=urn:hatchery:plc;s=", ""), OPEN, "signal[0].opcua.node", "a NodeId"),
    (OPCUA, PLC, "source.opcua[0].server_cert_file", 'security = "none" on a network'),
    (OPCUA, OPEN + 'username = "a"\npassword_env = "B_TEST"\n', "source.opcua[0].username", "readable on the way"),
    (OPCUA, PLC + 'security = "none"\npassword = "x"\n', "source.opcua[0].password", "password_env"),
    (OPCUA, OPEN.replace("opc.tcp://", "http://"), "source.opcua[0].url", "opc.tcp://"),
    (MODBUS.replace("io-1", "plc-1"), OPEN + IO, "signal[0].modbus.source", '"io-1"'),
    (MODBUS.replace(', type = "float32", word_order = "little"', ""), IO, "signal[0].modbus.type", "float32"),
    (MODBUS.replace('"input"', '"coil"'), IO, "signal[0].modbus.table", "holding or input"),
    (MODBUS.replace("address = 4", "address = 65535"), IO, "signal[0].modbus.address", "room for float32"),
    (MODBUS.replace("address = 4", 'address = 4, raw = [5, 5]'), IO, "signal[0].modbus.raw", "at the two ends"),
    (MODBUS, IO + IO, "source.modbus[1].id", "another id"),
    (MODBUS, IO + "poll = 1\n", "source.modbus[0].poll", "without a unit"),
])  # fmt: skip
def test_a_mistake_is_named_with_its_key_and_what_is_accepted(
    tmp_path: Path, base: str, place: str, more: str, key: str, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("B_TEST", "secret")
    with pytest.raises(ConfigError) as caught:
        load(written(tmp_path, base, {"PT-101": place}, more))
    line = next((x for x in str(caught.value).splitlines() if key in x), "")
    assert said in line, caught.value
