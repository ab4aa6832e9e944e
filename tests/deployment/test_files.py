"""What `deploy/` ships agrees with itself and with the program."""

from __future__ import annotations

import os
import re
import subprocess
from configparser import RawConfigParser
from pathlib import Path
from typing import Any

import pytest
import yaml
from deployment.site import DEPLOY
from services import require

from monitor.alarms.catalogue import CATALOGUE, NO_ALARMS
from monitor.cli import cli
from monitor.commands.page_process import give_way

DOCUMENTS = sorted(DEPLOY.glob("*.md"))
# systemd.exec(5): what takes rights away. `systemd-analyze security --offline=true` weighs them.
LOCKED = {
    "NoNewPrivileges": "yes", "ProtectSystem": "strict", "ProtectHome": "yes", "PrivateTmp": "yes",
    "PrivateDevices": "yes", "PrivateUsers": "yes", "ProtectKernelTunables": "yes", "ProtectKernelModules": "yes",
    "ProtectControlGroups": "yes", "RestrictNamespaces": "yes", "RestrictSUIDSGID": "yes", "LockPersonality": "yes",
    "CapabilityBoundingSet": "", "User": "bagwright", "StateDirectory": "bagwright", "Type": "notify",
}  # fmt: skip


def compose() -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text(encoding="utf-8"))
    return found


def test_the_unit_takes_every_right_away_that_the_daemon_does_not_need() -> None:
    unit = RawConfigParser(strict=False)
    unit.optionxform = str  # type: ignore[method-assign, assignment]
    unit.read_string((DEPLOY / "bagwright.service").read_text(encoding="utf-8"))
    service = dict(unit["Service"])
    assert {name: service.get(name) for name in LOCKED} == LOCKED
    words = service["ExecStart"].split()
    assert words[0].endswith("/bagwright") and words[1] in cli.commands and words[2:] == ["--config", "/etc/bagwright"]


def test_every_secret_and_file_that_a_service_uses_is_granted_to_it() -> None:
    whole = compose()
    services, secrets = whole["services"], whole["secrets"]
    assert set(services) == {"broker", "influxdb", "monitor"}
    for name, service in services.items():
        assert set(service.get("secrets", ())) <= set(secrets), name
        for volume in service["volumes"]:
            source = volume.split(":")[0]
            there = (DEPLOY / source).exists() if source.startswith("./") else source in whole["volumes"]
            assert there or source.startswith("./secrets/"), volume
    assert {s["file"] for s in secrets.values()} == {f"./secrets/{Path(s['file']).name}" for s in secrets.values()}
    used = set(re.findall(r"/run/secrets/(\w+)", (DEPLOY / "site/site.toml").read_text(encoding="utf-8")))
    assert used == set(services["monitor"]["secrets"])
    environment = services["influxdb"]["environment"].items()
    files = {value.removeprefix("/run/secrets/") for key, value in environment if key.endswith("_FILE")}
    assert files == set(services["influxdb"]["secrets"])


def test_what_the_brokers_configuration_names_is_mounted_where_it_says() -> None:
    text = (DEPLOY / "broker/mosquitto.conf").read_text(encoding="utf-8")
    mounts = {volume.split(":")[1] for volume in compose()["services"]["broker"]["volumes"]}
    named = set(re.findall(r"(?m)^\w+ (/\S+)$", text))
    assert {path.rstrip("/") for path in named} <= mounts
    container = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    assert "/etc/mosquitto/bagwright/mosquitto.conf" in container and "/var/lib/mosquitto" in container


def test_containers_run_without_privileges_and_cannot_write_into_themselves() -> None:
    services = compose()["services"]
    for name in ("broker", "monitor"):
        assert services[name]["read_only"] is True and "cap_add" not in services[name]
    for name, service in services.items():
        assert "no-new-privileges:true" in service["security_opt"] and service["cap_drop"] == ["ALL"], name
        bounded = {"mem_limit", "pids_limit", "logging", "healthcheck", "restart"}
        assert bounded <= service.keys(), name
    assert services["influxdb"]["networks"] == ["data"] and compose()["networks"]["data"]["internal"] is True
    stages = (DEPLOY / "Containerfile").read_text(encoding="utf-8").split("\nFROM ")
    assert {services[name]["build"]["target"] for name in ("broker", "monitor")} == {"broker", "monitor"}
    for target in ("broker", "monitor"):
        (stage,) = [s for s in stages if s.splitlines()[0].endswith(f" AS {target}") or f" AS {target}\n" in s]
        assert re.search(r"(?m)^USER \d+:\d+$", stage)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_a_document_names_only_files_and_commands_that_exist(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    links = [link for link in re.findall(r"\]\(([^)#]+)", text) if "://" not in link]
    assert [link for link in links if not (DEPLOY / link).exists()] == []
    commands = set(re.findall(r"(?:`|\n\s*)bagwright ([a-z][\w-]+)", text))
    assert commands - set(cli.commands) == set()


def test_the_guide_asks_what_the_catalogue_asks() -> None:
    """Each kind, with the minutes within which its response is useful."""
    guide = (DEPLOY / "OPERATING.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"(?m)^\| `([\w-]+)` \(([^)]+)\)", guide))
    wanted = {name: "8 h" if kind.respond_within_min == 480 else f"{kind.respond_within_min} min"
              for name, kind in CATALOGUE.items()}
    assert rows == wanted | {name: sort for name, sort in NO_ALARMS.items() if sort == "alert"}


def test_certificates_made_as_the_guide_says_stand_the_strict_check(tmp_path: Path) -> None:
    """X509_V_FLAG_X509_STRICT of OpenSSL, which Python sets from 3.13 on (What's New In Python 3.13, ssl)."""
    guide = (DEPLOY / "OPERATING.md").read_text(encoding="utf-8")
    (typed,) = [block for block in re.findall(r"(?s)```console\n(.*?)```", guide) if "openssl req -x509" in block]
    openssl = require("openssl")
    typed = typed.replace("rsa:3072", "rsa:2048")       # made sooner
    subprocess.run(["sh", "-ec", typed], cwd=tmp_path, check=True, capture_output=True)
    done = subprocess.run([openssl, "verify", "-x509_strict", "-purpose", "sslserver", "-verify_hostname", "broker",
                           "-CAfile", "ca.pem", "broker.pem"], cwd=tmp_path, check=False, capture_output=True,
                          text=True)
    assert (done.returncode, done.stdout) == (0, "broker.pem: OK\n"), done.stderr


def test_every_row_of_the_fault_table_names_a_test_that_exists() -> None:
    table = (DEPLOY / "FAULTS.md").read_text(encoding="utf-8")
    rows = re.findall(r"(?m)^\| (\d+) \|.*\| `([\w/]+\.py)::(test_\w+)` \|$", table)
    assert [int(number) for number, _, _ in rows] == list(range(1, len(rows) + 1)) and len(rows) >= 40
    tests = DEPLOY.parent / "tests"
    missing = [(file, name) for _, file, name in rows
               if f"def {name}(" not in (tests / file).read_text(encoding="utf-8")]
    assert missing == []
    shown = re.findall(r"`([\w]+/(?:\w+\.py)?)`", (DEPLOY / "SECURITY.md").read_text(encoding="utf-8"))
    assert [path for path in shown if not (tests / path).exists()] == []


def test_what_runs_beside_the_daemon_asks_for_no_call_that_the_unit_forbids(monkeypatch: pytest.MonkeyPatch) -> None:
    """@resources of systemd.exec(5) holds the calls that set priorities. The page goes on where it is refused one."""
    text = (DEPLOY / "bagwright.service").read_text(encoding="utf-8")
    filters = re.findall(r"(?m)^SystemCallFilter=(.*)$", text)
    assert filters.index("setpriority") > filters.index("~@privileged @resources")   # what comes later is added
    monkeypatch.setattr(os, "nice", lambda by: (_ for _ in ()).throw(PermissionError(1, "Operation not permitted")))
    give_way()
