"""What a valid configuration becomes, and what is told of unusable files."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.config import KINDS, describe, load, warnings
from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.reader import settings_from
from monitor.errors import ConfigError, Fault
from monitor.model import Role
from monitor.settings import BrokerSettings, Secret, Settings, SqlSettings, WebSettings, WebUser
from monitor.skid import PayloadFormat, Reporting, Step, TimeFormat

EXAMPLE = Path(__file__).parents[2] / "config" / "intake-1.toml"


def test_a_small_configuration_becomes_si(base: str, load_text: Callable[..., Settings]) -> None:
    settings = load_text(base)
    (skid,) = settings.skids
    assert (skid.id, skid.name, skid.vessels, skid.in_service) == ("intake-1", "River intake", ("east", "west"), 2)
    assert (skid.element.changeout_dp, skid.element.max_dp, skid.element.clean_dp) == (100_000.0, 240_000.0, 16_000.0)
    assert skid.element.rating == 25e-6 and skid.element.area == 0.41 and skid.element.per_vessel == 1
    assert skid.reference.flow == pytest.approx(40 / 3600, rel=1e-15) and skid.reference.temperature == 288.15
    inlet, _, flow = skid.signals
    assert (inlet.role, inlet.unit, inlet.low, inlet.high, inlet.scale) == (Role.INLET_PRESSURE, "bar", 0.0, 10.0, 1e5)
    assert flow.scale == pytest.approx(1 / 3600, rel=1e-15) and flow.offset == 0.0
    assert skid.lateness_s == 2.0 and skid.source.endswith("skid.toml")
    assert settings.broker == BrokerSettings() and settings.web == WebSettings()


def test_other_units_give_the_same_skid(changed: Callable[..., str], load_text: Callable[..., Settings]) -> None:
    # 1 bar = 14.503773773 psi and 1 m^3/h = 4.402867539 US gpm (NIST SP 811 definitions).
    text = changed(('changeout_dp = "1.0 bar"', 'changeout_dp = "14.5037737730 psi"'),
                   ('flow = "40 m^3/h"', 'flow = "176.114701572 US gpm"'), ('"15 degC"', '"59 degF"'),
                   ('area = "0.41 m^2"', f'area = "{0.41 / 0.3048**2!r} ft^2"'))
    skid = load_text(text).skids[0]
    assert skid.element.changeout_dp == pytest.approx(1e5, rel=1e-10)
    assert skid.reference.flow == pytest.approx(40 / 3600, rel=1e-10)
    assert skid.reference.temperature == 288.15
    assert skid.element.area == pytest.approx(0.41, rel=1e-10)


def test_a_fahrenheit_transmitter_scales_with_its_offset(base: str, load_text: Callable[..., Settings]) -> None:
    text = base + '[[signal]]\nid="TT"\nrole="temperature"\ntopic="t"\nunit="degF"\nrange=[32, 122]\n'
    signal = load_text(text).skids[0].signals[-1]
    for raw, kelvin in ((32.0, 273.15), (122.0, 323.15), (59.0, 288.15)):
        assert raw * signal.scale + signal.offset == pytest.approx(kelvin, rel=1e-15)


def test_contacts_need_neither_unit_nor_range(base: str, load_text: Callable[..., Settings]) -> None:
    text = base + ('[[signal]]\nid="LS"\nrole="leak-sensor"\nvessel="east"\ntopic="l"\n'
                   '[[signal]]\nid="ZT"\nrole="valve-position"\nvessel="west"\ntopic="z"\nunit="%"\n')
    leak, valve = load_text(text).skids[0].signals[-2:]
    assert (leak.unit, leak.low, leak.high, leak.scale, leak.vessel) == ("1", 0.0, 1.0, 1.0, "east")
    assert (valve.unit, valve.low, valve.high, valve.scale) == ("%", 0.0, 100.0, 0.01)


def test_every_optional_key_of_a_signal_is_kept(base: str, load_text: Callable[..., Settings]) -> None:
    text = base + ('reporting = "on-change"\nmax_silence = "15 min"\n[signal.payload]\nformat = "json"\n'
                   'value_field = "data.value"\ntime_field = "at"\nquality_field = "q"\ntime_format = "ms"\n')
    signal = load_text(text).skids[0].signals[-1]
    assert signal.reporting is Reporting.ON_CHANGE and signal.max_silence_s == 900.0
    assert (signal.payload.format, signal.payload.time_format) == (PayloadFormat.JSON, TimeFormat.EPOCH_MS)
    payload = signal.payload
    assert (payload.value_field, payload.time_field, payload.quality_field) == ("data.value", "at", "q")


def test_shared_tables_become_settings(base: str, load_text: Callable[..., Settings], tmp_path: Path) -> None:
    text = base + """
[skid.display_units]
pressure = "psi"
[broker]
host = "broker.example"
tls = true
username = "intake"
password_env = "INTAKE_PASSWORD"
keepalive = "1 min"
session_expiry = "2 d"
queue_limit = 500
prefix = "river"
[store]
path = "data/readings.db"
retention = "30 d"
quarantine_rows = 0
outbox_limit = "1.5 GiB"
[notify]
[[notify.webhook]]
url = "https://office.example/hook"
secret_file = "hook.secret"
[notify.influx]
url = "http://127.0.0.1:8086"
org = ""
bucket = "intake"
[notify.sql]
host = "db.hatchery.example"
password_env = "INTAKE_PASSWORD"
schema_name = "filters"
[web]
host = "::1"
port = 9000
names = ["filters.hatchery.example"]
[[web.user]]
name = "control room"
role = "act"
token_env = "PAGE_TOKEN"
[[skid.step]]
text = "Drain and vent to the sump."
watch = "vent"
[[skid.step]]
text = "Sign the sheet."
"""
    (tmp_path / "hook.secret").write_text("whsec_c3dvcmRmaXNoIHN3b3JkZmlzaCBzd29yZGZpc2g=\n")
    settings = load_text(text, {"INTAKE_PASSWORD": "trout", "PAGE_TOKEN": "trout-and-char-2026"})
    assert settings.broker.port == 8883 and settings.broker.password == Secret("trout")
    assert (settings.broker.keepalive_s, settings.broker.session_expiry_s) == (60, 172_800)
    assert settings.store.path == str(tmp_path / "data/readings.db")
    assert (settings.store.retention_days, settings.store.quarantine_rows) == (30.0, 0)
    assert settings.store.outbox_limit == 3 * 2**29
    assert settings.notify.webhooks[0].secret == Secret("whsec_c3dvcmRmaXNoIHN3b3JkZmlzaCBzd29yZGZpc2g=")
    assert settings.notify.influx is not None and settings.notify.influx.bucket == "intake"
    sql = settings.notify.sql
    assert sql is not None and (sql.host, sql.port, sql.tls) == ("db.hatchery.example", 5432, True)
    assert sql.schema == "filters"
    assert sql.password == Secret("trout") and not SqlSettings().tls
    assert (settings.web.host, settings.web.port) == ("::1", 9000)
    assert settings.web.users == (WebUser("control room", "act", Secret("trout-and-char-2026")),)
    assert settings.web.names == ("filters.hatchery.example",)
    assert settings.skids[0].procedure == (Step("Drain and vent to the sump.", "vent"), Step("Sign the sheet."))
    assert settings.skids[0].display_units == {
        "pressure": "psi", "flow": "m^3/h", "temperature": "degC", "turbidity": "NTU"}
    assert "trout" not in describe(settings) and "c3dvcmRmaXNo" not in repr(settings)


def test_the_store_lies_beside_the_configuration_whatever_the_working_directory(
    base: str, load_text: Callable[..., Settings], tmp_path: Path
) -> None:
    assert load_text(base).store.path == str(tmp_path / "bagwright.db")


def test_the_example_loads_and_its_alarms_are_the_defaults() -> None:
    settings = load(EXAMPLE, {})
    (skid,) = settings.skids
    plain = {kind: skid.alarms[kind] for kind in KINDS}
    assert set(plain) == set(skid.alarms)
    assert plain["dp-limit"].limit == pytest.approx(0.85 * 2.4e5) and plain["dp-limit"].on_delay_s == 15.0
    assert plain["changeout-due"].limit == 1e5 and plain["changeout-due"].deadband == pytest.approx(1e4)
    text = describe(settings)
    assert all(s.id in text and s.topic in text for s in skid.signals) and "2.04 bar" in text
    assert all("intake-1" in sentence for sentence in warnings(settings))


@pytest.mark.parametrize(("content", "key", "says"), [
    (b"[skid]\nid = intake\n", "line 2, column 6", "TOML"),
    (b"[skid\n", "line 1", "TOML"),
    (b"[skid]\nid = 'a'\nid = 'b'\n", "line 3", "TOML"),
    (b"[skid]\nname = 'K\xfchler'\n", "line 2", "UTF-8"),
    (b"", "(file)", "empty"),
    (b"# nothing but a comment\n", "(file)", "empty"),
    (b"a = " + b"[" * 5000, "(file)", "nested"),
    (b"\xff\xfe[\x00s\x00", "line 1", "UTF-8"),
], ids=["bare word", "open bracket", "key twice", "latin-1", "empty", "comment", "nested", "utf-16"])
def test_an_unusable_file_is_told_with_its_place(tmp_path: Path, content: bytes, key: str, says: str) -> None:
    file = tmp_path / "bad.toml"
    file.write_bytes(content)
    with pytest.raises(ConfigError) as caught:
        load(file)
    (fault,) = caught.value.faults
    assert fault.file == str(file) and fault.key.startswith(key) and says in str(fault)


def test_a_missing_file_and_an_empty_folder_are_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such file"):
        load(tmp_path / "none.toml")
    with pytest.raises(ConfigError, match="without a"):
        load(tmp_path)
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(ConfigError, match="no ordinary file"):
        load(tmp_path / "pipe.toml")
    with pytest.raises(ConfigError):
        load("bad\0name.toml")


def test_byte_order_mark_and_windows_line_ends_are_read(base: str, tmp_path: Path) -> None:
    file = tmp_path / "skid.toml"
    file.write_bytes(b"\xef\xbb\xbf" + base.replace("\n", "\r\n").encode())
    assert load(str(file)).skids[0].id == "intake-1"


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12)
    | st.sampled_from(["1.0 bar", "2 bar", "15 degC", "40 m^3/h", "east", "inlet-pressure", "5 s", "3 %"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3), max_leaves=8)
KEYS = st.sampled_from([
    "skid", "signal", "alarm", "broker", "store", "notify", "web", "id", "name", "vessels", "element", "reference",
    "changeout_dp", "max_dp", "clean_dp", "flow", "temperature", "fluid", "role", "vessel", "topic", "unit", "range",
    "payload", "format", "webhook", "influx", "url", "password", "password_env", "password_file", "tls", "ca_file",
    "path", "in_service", "display_units", "pressure", "dp-limit", "limit", "deadband", "surge",
    "element-breach", "loss"])


def told_of(data: dict[str, Any]) -> Sequence[Fault]:
    """The faults of a document; one made up where it has none."""
    try:
        settings_from([Document(Path("random.toml"), data)], {}, Faults())
    except ConfigError as error:
        return error.faults
    return [Fault("", "none", "", "nothing")]


@given(st.dictionaries(KEYS | st.text(max_size=8), VALUES, max_size=7))
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_any_document_is_settings_or_a_config_error(data: dict[str, Any]) -> None:
    told = told_of(data)
    assert told and all(fault.key and fault.accepted for fault in told)


@given(st.data())
@settings(max_examples=250, suppress_health_check=list(HealthCheck), deadline=None)
def test_an_example_with_values_exchanged_is_settings_or_a_config_error(data: st.DataObject) -> None:
    document = tomllib.loads(EXAMPLE.read_text())
    for _ in range(data.draw(st.integers(1, 5))):
        place: Any = document
        while True:
            key = data.draw(st.sampled_from(list(place) if isinstance(place, dict) else range(len(place))))
            if not isinstance(place[key], (dict, list)) or not place[key] or data.draw(st.integers(0, 3)) == 0:
                break
            place = place[key]
        change = data.draw(st.sampled_from(["exchange", "drop", "add"]))
        if change == "add" and isinstance(place, dict):
            place[data.draw(KEYS)] = data.draw(VALUES)
        elif change == "drop" and len(place) > 1:
            del place[key]
        else:
            place[key] = data.draw(VALUES)
    told = told_of(document)
    assert told and all(fault.key and fault.accepted for fault in told)


@given(st.data())
@settings(max_examples=200, suppress_health_check=list(HealthCheck), deadline=None)
def test_a_damaged_example_is_settings_or_a_config_error(tmp_path: Path, data: st.DataObject) -> None:
    text = EXAMPLE.read_text()
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(text) - 1))
        length = data.draw(st.integers(0, 12))
        text = text[:at] + data.draw(st.text("abz019 ._-[]{}\"'#=\n\\%", max_size=6)) + text[at + length:]
    file = tmp_path / "damaged.toml"
    file.write_text(text)
    told: Sequence[Fault] = ()
    try:
        describe(load(file, {}))
    except ConfigError as error:
        told = error.faults
    assert all(fault.file == str(file) and fault.key and fault.accepted for fault in told)


@pytest.mark.parametrize(("web", "url"), [
    (WebSettings(), "http://127.0.0.1:8321"),
    (WebSettings(host="::1"), "http://[::1]:8321"),
    (WebSettings(host="0.0.0.0", names=("filters.example",), cert_file="c"), "https://filters.example:8321"),
    (WebSettings(host="0.0.0.0", names=("filters.example",), address="https://a.example/f/"), "https://a.example/f"),
])  # fmt: skip
def test_people_are_sent_to_the_page_by_its_name_and_over_tls_where_it_has_a_certificate(web: WebSettings,
                                                                                         url: str) -> None:
    assert web.url == url
