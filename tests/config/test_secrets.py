"""Secrets come from the environment or a file, and are shown nowhere."""

from __future__ import annotations

import base64
import traceback
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.config import describe, warnings
from monitor.errors import ConfigError, Fault, InputError
from monitor.notify.webhook import Webhook
from monitor.settings import Secret, Settings, WebhookSettings

Faults = Callable[..., list[Fault]]
LITERALS = [
    ('[broker]\npassword = "geheim"\n', "broker.password", "password_env"),
    ('[[notify.webhook]]\nurl = "https://h/"\nsecret = "geheim"\n', "notify.webhook[0].secret", "secret_env"),
    ('[notify.influx]\nurl = "http://h"\ntoken = "geheim"\n', "notify.influx.token", "token_file"),
]


@pytest.mark.parametrize(("more", "key", "instead"), LITERALS)
def test_a_literal_secret_is_refused_with_what_to_write_instead(
    base: str, faults_of: Faults, more: str, key: str, instead: str
) -> None:
    (fault,) = faults_of(base + more)
    assert fault.key.startswith(key) and instead in fault.accepted and "configuration files" in fault.accepted


@pytest.mark.parametrize("line", [
    'password = "geheim"', 'passwd = "geheim"', 'password_env = "geheim+1"', 'password_env = ["geheim"]',
    'password = {a = "geheim"}', 'password_file = ["geheim"]'])
def test_no_message_and_no_traceback_shows_a_secret(
    base: str, load_text: Callable[..., Settings], line: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        load_text(f"{base}[broker]\n{line}\n", {})
    told = "".join(traceback.format_exception(caught.value)).replace("password_file", "")
    assert "geheim" not in str(caught.value) and "geheim" not in told


@pytest.mark.parametrize("environ", [{}, {"INTAKE_PASSWORD": ""}])
def test_a_missing_or_empty_variable_is_named(base: str, faults_of: Faults, environ: dict[str, str]) -> None:
    (fault,) = faults_of(base + '[broker]\npassword_env = "INTAKE_PASSWORD"\n', environ)
    assert "INTAKE_PASSWORD" in fault.found and ("empty" if environ else "not set") in fault.found


def test_a_secret_file_is_taken_from_the_configurations_folder_without_its_last_line_end(
    base: str, load_text: Callable[..., Settings], tmp_path: Path
) -> None:
    (tmp_path / "pw").write_text(" trout \r\n")
    assert load_text(base + '[broker]\npassword_file = "pw"\n').broker.password == Secret(" trout ")


def test_an_unusable_secret_file_is_named(base: str, faults_of: Faults, tmp_path: Path) -> None:
    (tmp_path / "empty").write_text("\n")
    (tmp_path / "binary").write_bytes(b"\xff\xfe\x00")
    for name, says in (("none", "no file"), ("empty", "an empty file"), ("binary", "not text"), ("../", "no file")):
        (fault,) = faults_of(f'{base}[broker]\npassword_file = "{name}"\n')
        assert str(tmp_path / name) in fault.found and says in fault.found


def test_two_sources_of_one_secret_are_a_fault(base: str, faults_of: Faults) -> None:
    (fault,) = faults_of(base + '[broker]\npassword_env = "A"\npassword_file = "b"\n', {"A": "x"})
    assert fault.accepted == "one of the two"


def test_a_password_without_tls_to_another_host_is_warned_of(base: str, load_text: Callable[..., Settings]) -> None:
    broker = '[broker]\nhost = "broker.example"\npassword_env = "A"\n'
    settings = load_text(base + broker, {"A": "geheim"})
    (text,) = [w for w in warnings(settings) if "unencrypted" in w]
    assert "broker.example" in text
    for safe in (broker + "tls = true\n", broker.replace("broker.example", "127.0.0.1")):
        assert not [w for w in warnings(load_text(base + safe, {"A": "geheim"})) if "unencrypted" in w]
    assert "geheim" not in describe(settings) + "".join(warnings(settings)) + repr(settings)


KEY = base64.b64encode(bytes(range(32))).decode()
SIZES = [base64.b64encode(bytes(n)).decode() for n in (23, 24, 64, 65)]
KEYS = [KEY, f"whsec_{KEY}", KEY.rstrip("="), *SIZES, "swordfish", "whsec_!", "whsec_ü" * 9, f"WHSEC_{KEY}",
        KEY + "\n=", KEY[:20] + " " + KEY[20:]]


@pytest.mark.parametrize("key", KEYS)
def test_a_key_that_the_webhooks_library_cannot_sign_with_is_a_fault_of_the_configuration(
    base: str, faults_of: Faults, load_text: Callable[..., Settings], key: str
) -> None:
    """`monitor.notify` builds the signer of the library standardwebhooks, and holds to the specification's sizes."""
    hook = WebhookSettings("https://office.example/hook", Secret(key))
    more = '[[notify.webhook]]\nurl = "https://office.example/hook"\nsecret_env = "HOOK"\n'
    try:
        Webhook(hook).close()
    except InputError:
        (fault,) = faults_of(base + more, {"HOOK": key})
        assert fault.key.startswith("notify.webhook[0].secret_env") and "openssl rand" in fault.accepted
        assert key not in str(fault)
    else:
        assert load_text(base + more, {"HOOK": key}).notify.webhooks == (hook,)
