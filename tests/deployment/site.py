"""A site as `deploy/` sets it up, on loopback: its broker, its certificates and tokens, its shared configuration."""

from __future__ import annotations

import os
import re
import secrets
import ssl
import threading
from pathlib import Path
from typing import Self

import trustme
from commands.helpers import SKID
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions
from services import Service, eventually, listening

DEPLOY = Path(__file__).parents[2] / "deploy"
SECRETS = "/run/secrets/"
TOKENS = ("command_token", "control_room_token", "display_token", "influx_token")


class Authority:
    """The site's certificate authority, and what it has issued: NAME.pem and NAME.key in a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder, self._authority = folder, trustme.CA()
        folder.mkdir(parents=True)
        self._authority.cert_pem.write_to_path(folder / "ca.pem")

    def issue(self, file: str, *names: str, common_name: str) -> None:
        issued = self._authority.issue_cert(*names, common_name=common_name)
        (self.folder / f"{file}.pem").write_bytes(b"".join(blob.bytes() for blob in issued.cert_chain_pems))
        issued.private_key_pem.write_to_path(self.folder / f"{file}.key")

    def context(self, name: str | None, trust: Path | None = None) -> ssl.SSLContext:
        context = ssl.create_default_context(cafile=str(trust or self.folder / "ca.pem"))
        if name is not None:
            context.load_cert_chain(self.folder / f"{name}.pem", self.folder / f"{name}.key")
        return context


class SiteBroker(Service):
    """mosquitto with `deploy/broker`, but for the port and the folders."""

    program = "mosquitto"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.authority = Authority(self.folder / "tls")
        self.authority.issue("broker", "127.0.0.1", common_name="broker")

    def command(self) -> list[str]:
        text = (DEPLOY / "broker/mosquitto.conf").read_text(encoding="utf-8")
        place = f"{self.folder}/tls/"
        for pattern, ours in ((r"(?m)^listener 8883$", f"listener {self.port} 127.0.0.1"),
                              (r"(?m)^persistence_location .*$", f"persistence_location {self.folder}/"),
                              (r"/etc/mosquitto/bagwright/", place)):
            text, count = re.subn(pattern, ours, text)
            assert count
        text += "user root\n" if os.geteuid() == 0 else ""
        acl = self.folder / "tls/acl"
        acl.write_text((DEPLOY / "broker/acl").read_text(encoding="utf-8"), encoding="utf-8")
        acl.chmod(0o600)
        (self.folder / "mosquitto.conf").write_text(text, encoding="utf-8")
        return ["-c", str(self.folder / "mosquitto.conf")]

    def ready(self) -> bool:
        return listening(self.port)

    def configuration(self, folder: Path) -> Path:
        """`deploy/site` beside one skid, with tokens of the moment: a folder that `run` takes."""
        home = folder / "site"
        home.mkdir()
        for token in TOKENS:
            (self.authority.folder / token).write_text(secrets.token_hex(24) + "\n")
        self.authority.issue("monitor", common_name="bagwright")
        self.authority.issue("page", "127.0.0.1", common_name="page")
        text = (DEPLOY / "site/site.toml").read_text(encoding="utf-8")
        text = re.sub(SECRETS + r"(\w+)_(cert|key)",
                      lambda m: f"{self.authority.folder}/{m[1]}.{'pem' if m[2] == 'cert' else 'key'}", text)
        text = text.replace(f"{SECRETS}ca", f"{self.authority.folder}/ca.pem").replace(
            SECRETS, f"{self.authority.folder}/")
        text = text.replace('host = "broker"', f'host = "127.0.0.1"\nport = {self.port}').replace(
            "/var/lib/bagwright", str(folder)).replace('"0.0.0.0"', '"127.0.0.1"')
        assert SECRETS not in text
        (home / "site.toml").write_text(text)
        (home / "intake-1.toml").write_text(SKID.replace("hatchery/PT", "hatchery/intake-1/PT").replace(
            "hatchery/FT", "hatchery/intake-1/FT"))
        return home


class Party:
    """A client of that broker under a certificate of its own: what it hears, and what it may say."""

    def __init__(self, broker: SiteBroker, name: str, *topics: str) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self.refusals: list[int] = []
        if not (broker.authority.folder / f"{name}.pem").exists():
            broker.authority.issue(name, common_name=name)
        up = threading.Event()
        self.client = Client(CallbackAPIVersion.VERSION2, f"{name}-{id(self)}", protocol=MQTTProtocolVersion.MQTTv5)
        self.client.tls_set_context(broker.authority.context(name))
        self.client.on_message = lambda _c, _u, m: self.heard.append((m.topic, bytes(m.payload)))
        self.client.on_publish = lambda _c, _u, _m, code, _p: self.refusals.extend([code.value] * code.is_failure)
        self.client.on_subscribe = lambda *_: up.set()
        options = SubscribeOptions(qos=1, noLocal=True)
        self.client.on_connect = lambda c, *_: c.subscribe([(t, options) for t in topics]) if topics else up.set()
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()
        assert up.wait(10), broker.log
        eventually(self.client.is_connected, 10, broker.log)

    def say(self, topic: str, payload: str | bytes) -> bool:
        """Whether the broker took it."""
        before = len(self.refusals)
        self.client.publish(topic, payload, qos=1).wait_for_publish(10)
        return len(self.refusals) == before

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()
