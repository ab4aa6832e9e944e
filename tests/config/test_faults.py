"""Each mistake is told with file, key and line, what was found and what is accepted."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.errors import Fault

Changed = Callable[..., str]
Faults = Callable[..., list[Fault]]

EXTRA = '[[signal]]\nid = "X"\nrole = "{role}"\ntopic = "hatchery/X"\n{rest}\n'


def signal(role: str, rest: str = 'unit = "bar"\nrange = [0, 10]', more: str = "") -> str:
    return EXTRA.format(role=role, rest=f"{rest}\n{more}")


# (what is replaced, with what, the key told, found, accepted)
MISTAKES = [
    ('id = "intake-1"', 'id = ""', "skid.id", "empty", "a name"),
    ('id = "intake-1"', 'id = "a,b"', "skid.id", '","', "a name"),
    ('id = "intake-1"', 'id = "a/b"', "skid.id", '"/"', "a name"),
    ('id = "intake-1"', 'id = "a\\u0007b"', "skid.id", "\\x07", "a name"),
    ('id = "intake-1"', 'id = 7', "skid.id", "7", "a name"),
    ('id = "intake-1"\n', '', "skid.id", "nothing", "a name"),
    ('name = "River intake"', 'nam = "River intake"', "skid.nam", "did you mean name", "vessels"),
    ('vessels = ["east", "west"]', 'vessels = ["east", "east"]', "skid.vessels", '"east" twice', "different names"),
    ('vessels = ["east", "west"]', 'vessels = []', "skid.vessels", "[]", "different names"),
    ('vessels = ["east", "west"]', 'vessels = "east"', "skid.vessels", '"east"', "different names"),
    ('vessels = ["east", "west"]', 'vessels = ["east", "west"]\nin_service = 3', "skid.in_service", "3", "from 1 to 2"),
    ('vessels = ["east", "west"]', 'vessels = ["east", "west"]\nin_service = 0', "skid.in_service", "0", "from 1"),
    ('vessels = ["east", "west"]', 'vessels = ["east"]\nin_service = true', "skid.in_service", "true", "from 1"),
    ('vessels = ["east", "west"]', 'vessels = ["a"]\nlateness = 2', "skid.lateness", "without a unit", "a duration"),
    ('vessels = ["east", "west"]', 'vessels = ["a"]\ndisplay_units = "psi"', "skid.display_units", "no table",
     "pressure"),
    ('vessels = ["east", "west"]', 'vessels = ["a"]\ndisplay_units = {flow = "bar"}', "skid.display_units.flow",
     "a pressure", "a volume flow"),
    ('rating_um = 25', 'rating_um = "25 bar"', "skid.element.rating_um", "a pressure", "a length"),
    ('rating_um = 25', 'rating_um = inf', "skid.element.rating_um", "not a finite number", "micrometres"),
    ('area = "0.41 m^2"', 'area = 0.41', "skid.element.area", "without a unit", "an area"),
    ('area = "0.41 m^2"', 'area = "0.41 m"', "skid.element.area", "a length", "an area"),
    ('changeout_dp = "1.0 bar"', 'changeout_dp = 1.0', "skid.element.changeout_dp", "without a unit",
     "a gauge pressure"),
    ('changeout_dp = "1.0 bar"', 'changeout_dp = "5 m"', "skid.element.changeout_dp", "a length", "a gauge pressure"),
    ('changeout_dp = "1.0 bar"', 'changeout_dp = "1 bara"', "skid.element.changeout_dp", "absolute", "gauge"),
    ('changeout_dp = "1.0 bar"', 'changeout_dp = "40 inH2O"', "skid.element.changeout_dp", "inches of water",
     "inH2O_4C"),
    ('changeout_dp = "1.0 bar"', 'changeout_dp = "-1 bar"', "skid.element.changeout_dp", '"-1 bar"', "above zero"),
    ('changeout_dp = "1.0 bar"', 'changeout_dp = "3.0 bar"', "skid.element.changeout_dp", "3 bar", "2.4 bar"),
    ('changeout_dp = "1.0 bar"\n', '', "skid.element.changeout_dp", "nothing", "a gauge pressure"),
    ('max_dp = "2.4 bar"', 'max_dp = "1.0 bar"', "skid.element.changeout_dp", "1 bar", "less than max_dp"),
    ('clean_dp = "0.16 bar"', 'clean_dp = "1.0 bar"', "skid.element.clean_dp", "1 bar", "less than changeout_dp"),
    ('[skid.reference]', '[skid.pump]\nflow = ["0 m^3/h", "40 m^3/h"]\npressure = ["4 bar"]\n\n[skid.reference]',
     "skid.pump.pressure", '["4 bar"]', "a list of 2 to 8"),
    ('[skid.reference]',
     '[skid.pump]\nflow = ["0 m^3/h", "40 m^3/h"]\npressure = ["3 bar", "4 bar"]\n\n[skid.reference]',
     "skid.pump.pressure", "does not fall", "pressures that fall"),
    ('[skid.reference]', '[skid.pump]\nflow = ["0 m^3/h", 40]\npressure = ["4 bar", "3 bar"]\n\n[skid.reference]',
     "skid.pump.flow", "without a unit", "a volume flow"),
    ('flow = "40 m^3/h"', 'flow = "40 kg/h"', "skid.reference.flow", "a mass flow", "a volume flow"),
    ('flow = "40 m^3/h"', 'flow = "0 m^3/h"', "skid.reference.flow", "0 m^3/h", "above zero"),
    ('temperature = "15 degC"', 'temperature = "15 K"', "skid.reference.temperature", "15 K", "from 0 to 100 degC"),
    ('temperature = "15 degC"', 'temperature = "15 degC"\nfluid = "syrup"', "skid.reference.fluid", '"syrup"', "water"),
    ('[skid.reference]\nflow = "40 m^3/h"\ntemperature = "15 degC"\n', '', "skid.reference", "nothing", "table"),
    ('id = "PT-101"', 'id = "time"', "signal[0].id", "column of recordings", "another name"),
    ('id = "PT-101"', 'id = "PT+101"', "signal[0].id", '"+"', "a name"),
    ('id = "PT-101"', 'id = "PT-102"', "signal[1].id", "signal[0] has too", "a different id"),
    ('role = "inlet-pressure"', 'role = "inlet-presure"', "signal[0].role", "did you mean inlet-pressure",
     "outlet-pressure"),
    ('role = "inlet-pressure"', 'role = "Flow"', "signal[0].role", "did you mean flow", "outlet-pressure"),
    ('role = "inlet-pressure"', 'role = ["flow"]', "signal[0].role", '["flow"]', "outlet-pressure"),
    ('role = "inlet-pressure"', 'role = "outlet-pressure"', "signal[1].role", "a second time (first: PT-101)",
     "one outlet"),
    ('topic = "hatchery/PT-101"', 'topic = "hatchery/+"', "signal[0].topic", '"+"', "without + and #"),
    ('topic = "hatchery/PT-101"', 'topic = "hatchery/#"', "signal[0].topic", '"#"', "without + and #"),
    ('topic = "hatchery/PT-101"', 'topic = ""', "signal[0].topic", '""', "MQTT topic"),
    ('topic = "hatchery/PT-101"', 'topic = "a\\u0000b"', "signal[0].topic", "x00", "MQTT topic"),
    ('topic = "hatchery/PT-101"', 'topic = "$share/g/a"', "signal[0].topic", "shared subscription", "MQTT topic"),
    ('topic = "hatchery/PT-101"', 'topic = "hatchery/PT-102"', "signal[1].topic", "PT-101 in ", "value_field"),
    ('unit = "bar"', 'unit = "m"', "signal[0].unit", "a length", "inlet-pressure"),
    ('unit = "bar"', 'unit = "Bar"', "signal[0].unit", 'did you mean "bar"', "inlet-pressure"),
    ('unit = "bar"', 'unit = "psia"', "signal[0].unit", "absolute", "gauge"),
    ('unit = "bar"\n', '', "signal[0].unit", "nothing", "unit"),
    ('unit = "m^3/h"', 'unit = "gpm"', "signal[2].unit", "US gpm", "m^3/h"),
    ('range = [0.0, 10.0]', 'range = [10.0, 0.0]', "signal[0].range", "the higher first", "the lower first"),
    ('range = [0.0, 10.0]', 'range = [4.0, 4.0]', "signal[0].range", "both ends equal", "two different"),
    ('range = [0.0, 10.0]', 'range = [0.0, inf]', "signal[0].range", "inf", "finite"),
    ('range = [0.0, 10.0]', 'range = ["0 bar", "10 bar"]', "signal[0].range", '"0 bar"', "in the signal's unit"),
    ('range = [0.0, 10.0]\n', '', "signal[0].range", "nothing", "two different"),
    ('range = [0.0, 10.0]', 'range = [0.0, 0.5]', "skid.element.changeout_dp", "1 bar", "0.5156 bar"),
    ('range = [0.0, 10.0]', 'range = [0.0, 10.0]\nvessel = "east"', "signal[0].vessel", "the whole skid", "no key"),
    ('range = [0.0, 10.0]', 'range = [0, 10]\nreporting = "onchange"', "signal[0].reporting", "did you mean on-change",
     "periodic"),
    ('range = [0.0, 10.0]', 'range = [0, 10]\nmax_silence = 60', "signal[0].max_silence", "without a unit",
     "a duration"),
    ('range = [0.0, 10.0]', 'range = [0, 10]\npayload = {form = "json"}', "signal[0].payload.form",
     "did you mean format", "time_field"),
    ('range = [0.0, 10.0]', 'range = [0, 10]\npayload = {format = "number", value_field = "v"}',
     "signal[0].payload.value_field", "while format is number", "json"),
    ('[skid]\n', '[Skid]\n', "Skid", "did you mean skid", "signal"),
]


@pytest.mark.parametrize(("old", "new", "key", "found", "accepted"), MISTAKES)
def test_a_mistake_is_told_at_its_key(
    changed: Changed, faults_of: Faults, old: str, new: str, key: str, found: str, accepted: str
) -> None:
    at_key = [f for f in faults_of(changed((old, new))) if f.key == key or f.key.startswith(f"{key} (")]
    assert any(found in f.found and accepted in f.accepted for f in at_key), list(map(str, at_key))


ONE_FAULT = [m for m in MISTAKES if m[2] != "Skid" and 'vessels = ["a"]' not in m[1] and m[2] != "signal[1].role"]


@pytest.mark.parametrize(("old", "new", "key", "found", "accepted"), ONE_FAULT)
def test_one_mistake_makes_one_fault(
    changed: Changed, faults_of: Faults, old: str, new: str, key: str, found: str, accepted: str
) -> None:
    assert len(faults_of(changed((old, new)))) == 1


ADDED = [
    (signal("vessel-pressure"), "signal[3].vessel", "nothing", '"east" or "west"'),
    (signal("vessel-pressure", more='vessel = "eastt"'), "signal[3].vessel", 'did you mean "east"', '"west"'),
    (signal("vessel-pressure", more='vessel = "east"'), "signal", 'none for "west"', "for every vessel"),
    (signal("flow", 'unit = "L/min"\nrange = [0, 9]'), "signal[3].role", "a second time (first: FT-101)", "one flow"),
    (signal("leak-sensor", 'unit = "bar"\nrange = [0, 1]'), "signal[3].unit", "a pressure", "1"),
    (signal("pump-running", 'unit = "%"\nrange = [0, 1]'), "signal[3].unit", '"%"', "1"),
    (signal("temperature", 'unit = "C"\nrange = [0, 40]'), "signal[3].unit", "degC", "a unit for temperature"),
    (signal("turbidity", 'unit = "mg/L"\nrange = [0, 40]'), "signal[3].unit", "a concentration", "NTU"),
    ('[alarm.dp-limits]\nlimit = "2 bar"\n', "alarm.dp-limits", "did you mean dp-limit", "surge"),
    ('[alarm.dp-limit]\nlimit = "2.5 bar"\n', "alarm.dp-limit.limit", "2.5 bar", "at most max_dp"),
    ('[alarm.dp-limit]\nlimit = "120 %"\n', "alarm.dp-limit.limit", "2.88 bar", "at most max_dp"),
    ('[alarm.dp-limit]\nlimit = 2\n', "alarm.dp-limit.limit", "without a unit", "a gauge pressure"),
    ('[alarm.dp-limit]\ndeadband = "3 bar"\n', "alarm.dp-limit.deadband", "never clears", "less than the limit"),
    ('[alarm.dp-limit]\non_delay = 15\n', "alarm.dp-limit.on_delay", "without a unit", "a duration"),
    ('[alarm.dp-limit]\non_delay = "-1 s"\n', "alarm.dp-limit.on_delay", "-1 s", "from zero"),
    ('[alarm.dp-limit]\nloss = 0.2\n', "alarm.dp-limit.loss", "unknown key", "limit"),
    ('[alarm.changeout-due]\nlimit = "0.1 bar"\n', "alarm.changeout-due.limit", "0.1 bar", "more than clean_dp"),
    ('[alarm.changeout-suspect]\nlow = 1.2\n', "alarm.changeout-suspect.low", "1.2", "at most 1"),
    ('[alarm.changeout-suspect]\nhigh = 0.9\n', "alarm.changeout-suspect.high", "0.9", "above 1"),
    ('[alarm.changeout-suspect]\nlimit = 0.9\n', "alarm.changeout-suspect.limit", "unknown key", "high"),
    ('[alarm.element-breach]\nloss = "50 %"\n', "alarm.element-breach.loss", "0.5", "less than likely_loss"),
    ('[alarm.element-breach]\nlikely_loss = "10 %"\n', "alarm.element-breach.likely_loss", "0.1", "more than loss"),
    ('[alarm.element-breach]\nlimit = 0.2\nloss = 0.1\n', "alarm.element-breach.loss", "differs from limit",
     "one of the two"),
    ('[alarm.signal-fault]\nstale = "1 bar"\n', "alarm.signal-fault.stale", "a pressure", "a duration"),
    ('[alarm.surge]\nenabled = "no"\n', "alarm.surge.enabled", '"no"', "true or false"),
    ('[alarm]\nsurge = 2\n', "alarm.surge", "no table", "limit"),
    ('[broker]\nport = 70000\n', "broker.port", "70000", "1 to 65535"),
    ('[broker]\nhost = "mqtt://u:geheim@h"\n', "broker.host", "mqtt://***@h", "without port"),
    ('[broker]\nprefix = "a/#"\n', "broker.prefix", "#", "without + and #"),
    ('[broker]\nkeepalive = 30\n', "broker.keepalive", "without a unit", "a duration"),
    ('[broker]\ncert_file = "c.pem"\n', "broker.cert_file", "no file", "PEM"),
    ('[broker]\nca_file = "skid.toml"\n', "broker.ca_file", "while tls is not true", "tls = true"),
    ('[store]\nretention = "5 m"\n', "store.retention", "minutes are written", "a duration"),
    ('[store]\nquarantine_rows = -1\n', "store.quarantine_rows", "-1", "rows from 0"),
    ('[[notify.webhook]]\nsecret_env = "A"\n', "notify.webhook[0].url", "nothing", "http"),
    ('[[notify.webhook]]\nurl = "ftp://x"\n', "notify.webhook[0].url", "ftp://x", "https"),
    ('[[notify.webhook]]\nurl = "https://u:geheim@x/"\n', "notify.webhook[0].url", "user or password", "environment"),
    ('[notify.influx]\nbukket = "b"\nurl = "http://h"\n', "notify.influx.bukket", "did you mean bucket", "org"),
    ('[notify.sql]\ndatabse = "b"\n', "notify.sql.databse", "did you mean database", "username"),
    ('[notify.sql]\npassword = "geheim"\n', "notify.sql.password", "plain text", "password_env"),
    ('[notify.sql]\nhost = "db.example"\nca_file = "none.pem"\n', "notify.sql.ca_file", "no file", "PEM"),
    ('[notify.sql]\nca_file = "skid.toml"\n', "notify.sql.ca_file", "without tls", "tls = true"),
    ('[opcua]\nport = 4840\n', "opcua", "nobody who may come in", "anonymous = true"),
    ('[opcua]\nanonymous = true\nunencrypted = true\nhost = "10.0.0.5"\n', "opcua.unencrypted", "from elsewhere",
     "127.0.0.1"),
    ('[opcua]\nanonymous = true\ncert_file = "skid.toml"\n', "opcua.cert_file", "without key_file", "neither"),
    ('[opcua]\nanonymous = true\ntrusted = "nowhere"\n', "opcua.trusted", "no folder", "PEM"),
    ('[[opcua.user]]\nname = "a"\nrole = "act"\n', "opcua.user[0]", "no way to log in", "cert_file"),
    ('[[opcua.user]]\nname = "a"\nrole = "act"\npassword = "geheim"\n', "opcua.user[0].password", "plain text",
     "password_env"),
    ('[web]\nport = 0\n', "web.port", "0", "from 1"),
    ('[web]\nhost = "0.0.0.0"\n', "web", "without a user", "[[web.user]]"),
    ('[web]\nhost = "0.0.0.0"\n', "web", "without TLS", "cert_file and key_file, or proxy"),
    ('[web]\nproxy = "127.0.0.1"\n', "web", "without a user", "role (look or act)"),
    ('[web]\ntimezone = "Middle/Earth"\n', "web.timezone", "Middle/Earth", "Europe/Oslo"),
    ('[web]\nkey_file = "skid.toml"\n', "web.key_file", "without cert_file", "both"),
    ('[web]\nnames = ["a/b"]\n', "web.names", "a/b", "host name"),
    ('[[web.user]]\nname = "a"\nrole = "admin"\ntoken_env = "A"\n', "web.user[0].role", "admin", "look or act"),
    ('[[web.user]]\nname = "a"\nrole = "act"\ntoken = "geheim"\n', "web.user[0].token", "plain text", "token_env"),
    ('[[web.user]]\nname = "a"\nrole = "act"\ntoken_env = "A"\n', "web.user[0].token_env", "too short",
     "16 characters"),
    ('[[web.user]]\nname = "a"\nrole = "act"\n', "web.user[0]", "no token", "token_file"),
    ('[[skid.step]]\nwatch = "vent"\n', "skid.step[0].text", "nothing", "what is to be done"),
    ('[[skid.step]]\ntext = "Vent."\nwatch = "went"\n', "skid.step[0].watch", "did you mean vent", "prepare"),
    ('[wbe]\nport = 1\n', "wbe", "did you mean web", "broker"),
]


@pytest.mark.parametrize(("more", "key", "found", "accepted"), ADDED)
def test_an_added_mistake_is_told_at_its_key(
    base: str, faults_of: Faults, more: str, key: str, found: str, accepted: str
) -> None:
    faults = faults_of(base + more, {"A": "b"})
    at_key = [f for f in faults if f.key == key or f.key.startswith(f"{key} (")]
    assert any(found in f.found and accepted in f.accepted for f in at_key), list(map(str, faults))
    assert "geheim" not in "".join(map(str, faults))


def test_ten_mistakes_are_ten_faults_in_the_order_of_the_file(changed: Changed, faults_of: Faults) -> None:
    text = changed(
        ('id = "intake-1"', 'id = "intake,1"'), ('area = "0.41 m^2"', 'area = 0.41'),
        ('changeout_dp = "1.0 bar"', 'changeout_dp = "1 bara"'), ('flow = "40 m^3/h"', 'flow = "40 m"'),
        ('"15 degC"', '"15 C"'), ('unit = "bar"', 'unit = "m"'), ('topic = "hatchery/PT-102"', 'topic = "hatchery/#"'),
        ('range = [0.0, 60.0]', 'range = [60.0, 0.0]'),
        more='[alarm.surje]\nlimit = "1 bar"\n[broker]\npassword = "geheim"\n')
    faults = faults_of(text)
    assert [f.key.partition(" ")[0] for f in faults] == [
        "skid.id", "skid.element.area", "skid.element.changeout_dp", "skid.reference.flow",
        "skid.reference.temperature", "signal[0].unit", "signal[1].topic", "signal[2].range", "alarm.surje",
        "broker.password"]
    assert all(f.found and f.accepted and "line" in f.key for f in faults)


def test_a_signals_fault_names_its_id_and_line(changed: Changed, faults_of: Faults) -> None:
    text = changed(("range = [0.0, 60.0]", "range = [60.0, 0.0]"))
    (fault,) = faults_of(text)
    line = text.splitlines().index("range = [60.0, 0.0]") + 1
    assert fault.key == f"signal[2].range (FT-101, line {line})"


def test_without_a_source_of_dp_there_is_one_fault(base: str, faults_of: Faults) -> None:
    lone = base.replace('role = "outlet-pressure"', 'role = "turbidity"').replace('unit = "bar"', 'unit = "NTU"', 2)
    lone = lone.replace('unit = "NTU"', 'unit = "bar"', 1)
    (fault,) = faults_of(lone)
    assert fault.key.startswith("signal") and "only inlet-pressure" in fault.found
    assert "differential-pressure" in fault.accepted


def test_without_signals_or_skid_it_is_said(base: str, faults_of: Faults) -> None:
    only_skid = base[: base.index("[[signal]]")]
    assert "nothing" in faults_of(only_skid)[0].found
    assert faults_of(only_skid + "[signal]\nid = 'a'\n")[0].found == "one table"
    assert any(f.key.startswith("skid") for f in faults_of("[web]\nport = 1\n"))
    assert any(f.key == "skid" and f.found == "nothing" for f in faults_of(base[base.index("[[signal]]"):]))


def test_messages_carry_no_control_characters(changed: Changed, faults_of: Faults) -> None:
    text = changed(('id = "PT-101"', 'id = "a\\u001b[31mb"'), ('role = "flow"', 'role = "\\n\\u0085x"'),
                   more='"\\u001bkey\\n" = 1\n')
    for fault in faults_of(text):
        assert all(c.isprintable() for c in str(fault)), repr(str(fault))
