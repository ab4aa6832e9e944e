"""The helpers that start real services: they come up, die, come back, and are missed loudly."""

from __future__ import annotations

from pathlib import Path

import pytest
import services
from services import eventually, http_get, influxd, mosquitto, victoria_metrics


def test_a_killed_broker_comes_back_on_its_port(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        port = broker.port
        broker.kill()
        assert not services.listening(port)
        broker.start()
        assert broker.port == port
    assert not services.listening(port)


def test_a_broker_that_cannot_start_shows_its_own_words(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError, match=r"mosquitto did not come up: .*nonsense"):
        mosquitto(tmp_path, config_extra="nonsense true").start()


def test_victoria_metrics_takes_a_line_and_gives_it_back(tmp_path: Path) -> None:
    with victoria_metrics(tmp_path) as store:
        assert post(store.port, "/api/v2/write", "probe level=4.5") == 204
        eventually(lambda: http_get(store.port, "/internal/force_flush")[0] == 200
                   and "4.5" in http_get(store.port, "/api/v1/export?match=probe_level")[1])


def test_influxd_takes_a_line_and_refuses_a_bad_one(tmp_path: Path) -> None:
    with influxd(tmp_path) as store:
        store.create_database("probe")
        assert post(store.port, "/write?db=probe", "probe level=4.5") == 204
        assert post(store.port, "/write?db=probe", "probe level=") == 400
        assert "4.5" in http_get(store.port, "/query?db=probe&q=select%20*%20from%20probe")[1]


def test_a_missing_program_fails_in_ci_and_is_counted_elsewhere(
        monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(services.DEBIAN, "no-such-program", "no-such-package")
    monkeypatch.setenv("BAGWRIGHT_SERVICES", str(tmp_path))
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match="no-such-package"):
        services.require("no-such-program")
    monkeypatch.delenv("CI")
    with pytest.raises(pytest.skip.Exception, match=r"not run without no-such-program .Debian package no-such-package"):
        services.require("no-such-program")


def test_an_unpacked_package_is_found_and_sees_its_own_libraries(
        monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    program, libraries = tmp_path / "usr/sbin/unpacked-program", tmp_path / "usr/lib/x86_64-linux-gnu"
    for folder in (program.parent, libraries):
        folder.mkdir(parents=True)
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    monkeypatch.setenv("BAGWRIGHT_SERVICES", str(tmp_path))
    assert services.find("unpacked-program") == program
    assert str(libraries) in services.environment(program)["LD_LIBRARY_PATH"].split(":")


def post(port: int, target: str, body: str) -> int:
    import http.client

    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    connection.request("POST", target, body)
    status = connection.getresponse().status
    connection.close()
    return status
