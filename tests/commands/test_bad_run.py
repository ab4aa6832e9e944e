"""`run` and its neighbours meet what is in the way: configuration, page, broker, store, disk."""

from __future__ import annotations

import contextlib
import os
import re
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import apsw
import pytest
from commands.helpers import (
    Disk,
    Running,
    assert_for_people,
    bagwright,
    environment,
    publish,
    skid,
    small_disk,
    unwritable,
)
from services import eventually, free_port, listening, mosquitto

from tests.live.daemon import wait_for_rows

pytestmark = pytest.mark.timeout(300)
PATIENT = "max_inflight_messages 0\n"
TEN_MISTAKES = """\
[skid]
id = "a/b"
vesels = ["east", "west"]
vessels = ["east", "east"]
[skid.element]
changeout_dp = 1.0
max_dp = "2.4 m"
[skid.reference]
flow = "40 kg/h"
temperature = "150 degC"
[[signal]]
id = "PT-101"
role = "inlet-presure"
topic = "hatchery/#"
unit = "bar"
range = [10.0, 0.0]
[broker]
port = 99999
"""
# key, its line, what was found, what is accepted
TOLD = [
    ("skid.id", 2, '"a/b"', "a name"),
    ("skid.vesels", 3, "did you mean vessels?", "vessels"),
    ("skid.vessels", 4, '"east" twice', "different names"),
    ("skid.element.changeout_dp", 6, "without a unit", '"1.0 bar"'),
    ("skid.element.max_dp", 7, "a length", '"1.0 bar"'),
    ("skid.reference.flow", 9, "a mass flow", '"40 m^3/h"'),
    ("skid.reference.temperature", 10, '"150 degC"', "from 0 to 100 degC"),
    ("signal[0].role", 13, "did you mean inlet-pressure?", "outlet-pressure"),
    ("signal[0].topic", 14, '"hatchery/#"', "without + and #"),
    ("signal[0].range", 16, "the higher first", "the lower first"),
    ("broker.port", 18, "99999", "from 1 to 65535"),
]


def daemon_config(folder: Path, port: int, store: object = "s.db", more: str = "") -> Path:
    return skid(folder, f'[broker]\nport = {port}\n{more}[store]\npath = "{store}"\n[web]\nport = {free_port()}\n')


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[mosquitto]:
    with mosquitto(tmp_path, config_extra=PATIENT) as service:
        yield service


@pytest.mark.parametrize("command", ["check", "run --config", "status --config", "record --out x --config"])
def test_every_mistake_of_a_configuration_is_a_line_with_its_place(tmp_path: Path, command: str) -> None:
    (tmp_path / "ten.toml").write_text(TEN_MISTAKES)
    done = bagwright(*command.split(), "ten.toml", cwd=tmp_path)
    assert_for_people(done)
    lines = done.err.splitlines()
    assert done.code == 2 and done.out == "" and len(lines) == len(TOLD)
    for line, (key, number, found, accepted) in zip(lines, TOLD, strict=True):
        place, _, rest = line.partition(": found ")
        said, _, wanted = rest.partition("; accepted: ")
        assert place.startswith(f"ten.toml: {key} (") and f"line {number})" in place, line
        assert found in said and accepted in wanted, line


def test_a_folder_without_configuration_and_a_file_that_is_not_there_end_with_2(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    for path, found in (("empty", "without a *.toml file"), ("none.toml", "no such file")):
        done = bagwright("run", "--config", path, cwd=tmp_path)
        assert_for_people(done)
        assert done.code == 2 and f"{path}: " in done.err and found in done.err
        assert "accepted: a configuration file" in done.err


def test_a_webhook_secret_that_cannot_sign_is_told_by_check(tmp_path: Path) -> None:
    config = skid(tmp_path, '[[notify.webhook]]\nurl = "https://office.example/h"\nsecret_env = "HOOK"\n')
    done = bagwright("check", config.name, cwd=tmp_path, env=environment(HOOK="swordfish"))
    assert_for_people(done)
    assert done.code == 2 and "notify.webhook[0].secret_env" in done.err and "openssl rand" in done.err
    assert "swordfish" not in done.err


def test_a_port_in_use_for_the_page_ends_with_1_before_anything_else(tmp_path: Path) -> None:
    config = daemon_config(tmp_path, free_port())
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        config.write_text(config.read_text().rpartition("port = ")[0] + f"port = {port}\n")
        done = bagwright("run", "--config", config.name, cwd=tmp_path)
    assert_for_people(done)
    assert done.code == 1 and f"127.0.0.1 port {port}: address already in use" in done.err.lower()
    assert "[web]" in done.err and "--no-page" in done.err
    assert not (tmp_path / "s.db").exists()


def test_a_page_that_dies_is_started_again_and_none_outlives_a_killed_daemon(tmp_path: Path) -> None:
    config = daemon_config(tmp_path, free_port())
    port, plant_port = int(config.read_text().rpartition("port = ")[2]), free_port()
    config.write_text(config.read_text() + f"[opcua]\nanonymous = true\nport = {plant_port}\n")
    with Running("run", "--config", config.name, cwd=tmp_path) as run:
        eventually(lambda: listening(port), 60, "the page")
        child = children(run.process.pid)["page"]
        os.kill(child, 9)
        run.says("the page stopped (exit code -9) and is started again in 2 s; the daemon goes on")
        eventually(lambda: children(run.process.pid).get("page", child) != child and listening(port), 30, "the page")
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=10) as answer:
            assert answer.status == 200
        eventually(lambda: listening(plant_port), 30, "the OPC UA server")
        run.process.kill()
        run.process.wait()
        eventually(lambda: not listening(port) and not listening(plant_port), 15, "page and OPC UA server gone")
    with Running("run", "--no-page", "--config", config.name, cwd=tmp_path) as run:
        eventually(lambda: listening(plant_port), 60, "the OPC UA server")
        ((name, child),) = children(run.process.pid).items()
        assert name == "opcua" and re.search(r"Max data size +2147483648 ", Path(f"/proc/{child}/limits").read_text())
        assert run.stop().code == 0 and not listening(plant_port)


def children(pid: int) -> dict[str, int]:
    """What the threads of a process have started: the command, and its process."""
    threads = Path(f"/proc/{pid}/task").glob("*/children")
    pids = [int(word) for thread in threads for word in thread.read_text().split()]
    return {Path(f"/proc/{child}/cmdline").read_text().split("\0")[3]: child for child in pids}


def test_a_broker_that_refuses_the_password_ends_with_1_and_never_shows_it(tmp_path: Path) -> None:
    with mosquitto(tmp_path, password=("intake", "brown trout")) as broker:
        more = 'username = "intake"\npassword_env = "PASSWORD"\n'
        config = daemon_config(tmp_path, broker.port, more=more)
        done = bagwright("run", "--no-page", "--config", config.name, cwd=tmp_path, env=environment(PASSWORD="geheim"))
    assert_for_people(done)
    last = done.err.splitlines()[-1]
    refusal = f"bagwright: the broker at 127.0.0.1:{broker.port} refuses the connection"
    assert done.code == 1 and last.startswith(refusal)
    assert "broker.username, broker.password" in last and "geheim" not in done.out + done.err


def test_an_unreachable_broker_is_said_once_and_tried_until_we_are_stopped(tmp_path: Path) -> None:
    port = free_port()
    config = daemon_config(tmp_path, port)
    with Running("run", "--no-page", "--config", config.name, cwd=tmp_path) as run:
        run.says("cannot be reached")
        time.sleep(5)
        with mosquitto(tmp_path, port=port, config_extra=PATIENT):
            run.says(f"connected to the broker at 127.0.0.1:{port}")
        run.says("tried again")
        done = run.stop()
    assert_for_people(done)
    assert done.code == 0 and done.err.count("cannot be reached: Connection refused. It is tried again") <= 2
    assert done.out.startswith(f"watching  intake-1 (River intake)\nbroker    127.0.0.1:{port}, client id bagwright\n")
    assert f"store     {tmp_path}/s.db\npage      none\n" in done.out
    assert done.out.endswith(f"stopped; the state is in {tmp_path}/s.db\n")


def test_record_too_says_once_that_the_broker_cannot_be_reached(tmp_path: Path) -> None:
    config = daemon_config(tmp_path, free_port())
    done = bagwright("record", "--config", config.name, "--out", "m.jsonl", "--for", 4, cwd=tmp_path)
    assert_for_people(done)
    assert done.code == 0 and done.err.count("cannot be reached") == 1 and done.out == "m.jsonl: 0 messages written\n"
    assert "nothing came of PT-101 (" in done.err


def test_record_to_what_cannot_be_written_says_so(tmp_path: Path, broker: mosquitto) -> None:
    config = daemon_config(tmp_path, broker.port)
    for out in (tmp_path / "no/such/folder", tmp_path, tmp_path / "m.jsonl.gz"):
        done = bagwright("record", "--config", config.name, "--out", out, "--for", 2, cwd=tmp_path)
        assert_for_people(done)
        assert done.code == 2 and f"{out}: " in done.err, done
    with Running("record", "--config", config.name, "--out", "/dev/full", cwd=tmp_path) as run:
        run.says("connected")
        for _ in range(20):     # the subscription follows the connection: what comes before it is nobody's
            publish(broker.port, readings(30))
            with contextlib.suppress(subprocess.TimeoutExpired):
                run.process.wait(1.0)
                break
        done = run.ends()
    assert_for_people(done)
    assert done.code == 1 and "/dev/full: cannot be written: no space left on device" in done.err.lower()


def test_a_store_that_cannot_be_had_ends_with_1_and_says_why(tmp_path: Path) -> None:
    (tmp_path / "text.db").write_text("a shopping list, not a database; " * 40)
    newer = apsw.Connection(str(tmp_path / "other.db"))
    newer.execute("CREATE TABLE fish (name)")
    newer.close()
    cases = [("no/folder/s.db", "does not exist"), ("text.db", "no database"), ("other.db", "another program's")]
    with unwritable(tmp_path) as locked:
        for store, why in [*cases, (f"{locked}/s.db", "cannot be written")]:
            config = daemon_config(tmp_path, free_port(), store)
            done = bagwright("run", "--no-page", "--config", config.name, cwd=tmp_path)
            assert_for_people(done)
            assert done.code == 1 and why in done.err.replace("write access", "written") and store in done.err, done


def test_a_second_daemon_on_a_store_names_the_first(tmp_path: Path) -> None:
    config = daemon_config(tmp_path, free_port())
    with Running("run", "--no-page", "--config", config.name, cwd=tmp_path, name="first") as first:
        first.says("cannot be reached")
        done = bagwright("run", "--no-page", "--config", config.name, cwd=tmp_path)
        assert_for_people(done)
        assert done.code == 1 and f"another daemon has this store (process {first.process.pid})" in done.err
        assert first.stop().code == 0


def test_a_store_of_a_newer_version_is_left_alone_by_everybody(tmp_path: Path) -> None:
    config = daemon_config(tmp_path, free_port())
    with Running("run", "--no-page", "--config", config.name, cwd=tmp_path) as run:
        run.says("cannot be reached")
        assert run.stop().code == 0
    db = apsw.Connection(str(tmp_path / "s.db"))
    db.execute("PRAGMA user_version = 999; UPDATE migration SET program = '99.0'")
    db.close()
    before = (tmp_path / "s.db").read_bytes()
    for words in (["run", "--no-page"], ["status"], ["page", "--port", "0"]):
        done = bagwright(*words, "--config", config.name, cwd=tmp_path)
        assert_for_people(done)
        assert done.code == 1 and "written by a newer version, 99.0" in done.err and "Update" in done.err, done
    assert (tmp_path / "s.db").read_bytes() == before


def test_status_and_page_without_a_store_say_how_one_comes_to_be(tmp_path: Path) -> None:
    config = daemon_config(tmp_path, free_port())
    done = bagwright("status", "--config", config.name, cwd=tmp_path)
    assert_for_people(done)
    assert done.code == 1 and f"{tmp_path}/s.db: there is no store. Start the daemon once" in done.err
    with Running("page", "--port", 0, "--config", config.name, cwd=tmp_path) as page:
        page.says("there is no store yet; waiting 10 s for a daemon to make it")
        done = page.ends(60)
    assert_for_people(done)
    assert done.code == 1 and "Start the daemon once" in done.err


def test_a_scenario_that_is_not_known_is_told_with_those_that_are(tmp_path: Path) -> None:
    done = bagwright("simulate", "perpetual-motion", "--out", "x", cwd=tmp_path)
    assert_for_people(done)
    assert done.code == 2 and "perpetual-motion" in done.err and "plain-loading" in done.err and done.out == ""


def readings(count: int, first: int = 0) -> list[tuple[str, bytes]]:
    start = time.time_ns() // 10**9 - 3_000
    return [
        (f"hatchery/{signal}", f'{{"time": {start + i / 10:.1f}, "value": {value + i % 7 / 100:.2f}}}'.encode())
        for i in range(first, first + count)
        for signal, value in (("PT-101", 3.0), ("PT-102", 2.8), ("FT-101", 40.0))
    ]


def test_a_full_disk_is_waited_for_and_nothing_is_lost(tmp_path: Path, broker: mosquitto) -> None:
    sent = readings(8_000)
    with small_disk(tmp_path, room=1 << 20) as disk:
        store = disk.folder / "s.db"
        config = daemon_config(tmp_path, broker.port, store)
        with Running("run", "--no-page", "--config", config.name, cwd=tmp_path, **disk.how) as run:
            run.says("connected")
            publish(broker.port, sent)
            run.says("what came since is not acknowledged, so that the broker keeps it")
            time.sleep(3)
            have = wait_for_rows(store, "intake-1", 1, seconds=5)
            assert have < len(sent) and run.process.poll() is None
            disk.free(run.process.pid)
            assert wait_for_rows(store, "intake-1", len(sent)) == len(sent)
            run.says("the store works again")
            done = run.stop()
        assert_for_people(done)
        assert done.code == 0
        assert done.err.count("nothing of this step was stored") <= 2


def test_stopped_while_the_disk_is_full_it_ends_and_takes_everything_up_next_time(
    tmp_path: Path, broker: mosquitto
) -> None:
    sent = readings(8_000)
    with small_disk(tmp_path, room=1 << 20) as disk:
        config = daemon_config(tmp_path, broker.port, disk.folder / "s.db")
        with Running("run", "--no-page", "--config", config.name, cwd=tmp_path, name="full", **disk.how) as run:
            run.says("connected")
            publish(broker.port, sent)
            run.says("nothing of this step was stored")
            began = time.monotonic()
            done = run.stop()
        assert_for_people(done)
        assert done.code == 1 and time.monotonic() - began < 15
        assert "stopped while the store could not be written; what came since is not acknowledged" in done.err
        assert_all_comes_with_the_next_start(disk, config, len(sent))


def assert_all_comes_with_the_next_start(disk: Disk, config: Path, wanted: int) -> None:
    disk.free(os.getpid())
    with Running("run", "--no-page", "--config", config.name, cwd=config.parent) as run:
        assert wait_for_rows(disk.folder / "s.db", "intake-1", wanted) == wanted
        assert run.stop().code == 0


def test_a_disk_too_full_to_begin_is_waited_for(tmp_path: Path, broker: mosquitto) -> None:
    with small_disk(tmp_path, room=40_000) as disk:
        config = daemon_config(tmp_path, broker.port, disk.folder / "s.db")
        with Running("run", "--no-page", "--config", config.name, cwd=tmp_path, **disk.how) as run:
            run.says("the daemon starts when it can be written")
            disk.free(run.process.pid)
            run.says("connected")
            done = run.stop()
        assert_for_people(done)
        assert done.code == 0
