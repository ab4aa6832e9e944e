"""Sends a page server requests made from its own description, for as long as asked; needs schemathesis.

    PYTHONPATH=.:tests nice python tests/bench/fuzzing_interface.py CONFIG SECONDS [--user NAME] [--pages]

Serves what `bagwright page --config CONFIG` serves, over the store that CONFIG names, on a free port, but without the
limits on how often. A daemon beside it takes what is asked for (`bagwright demo --dir FOLDER` makes both). --user: in
whose name, of the configuration's users. --pages: the pages and forms for people too, which the description leaves out;
of these only that no request ends in a server's error. Prints what schemathesis found, and the server's memory.
"""

from __future__ import annotations

import argparse
import multiprocessing
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import httpx
from services import eventually, free_port, listening

from monitor.config import load
from monitor.web.changeouts import QUESTIONS, WORDS

STREAMS = "/live$"          # end never
LEFT_OUT = "positive_data_acceptance"   # an end before its start: no schema says so, 400 is right
FORMS: dict[str, list[str]] = {
    "/alarms/act": ["action", "why", "who", "hours"],
    "/changeouts/inspection": ["who", *WORDS, *(name for name, _, _ in QUESTIONS)],
    "/login": ["token"],
    "/cases/{name}": ["action", "who", "why", "entry-0"],
    "/cases/{name}/label": ["action", "who", "time", "until", "kind", "vessel", "detail", "within_s", "why"],
}


def serve(config: Path, port: int, pages: bool) -> None:
    from monitor.commands.page import run_page
    from monitor.web import access, server

    made = server.create_app

    def told(*given: Any) -> Any:
        """The application, whose description also has what is for people."""
        app = made(*given)
        for route in app.routes:
            if pages and hasattr(route, "include_in_schema") and not route.path.startswith("/api"):
                route.include_in_schema = True
                if "POST" in route.methods and route.path in FORMS:
                    form = {"type": "object", "properties": {n: {"type": "string"} for n in FORMS[route.path]}}
                    route.openapi_extra = {"requestBody": {
                        "content": {"application/x-www-form-urlencoded": {"schema": form}}}}
        return app

    server.create_app = told
    access.Limit.wait = lambda *_: 0.0      # type: ignore[method-assign]
    run_page(config, port=port)


def resident(pid: int | None) -> float:
    line = next(s for s in Path(f"/proc/{pid}/status").read_text().splitlines() if s.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("config", type=Path)
    parser.add_argument("seconds", type=int)
    parser.add_argument("--user")
    parser.add_argument("--pages", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    users = load(asked.config).web.users
    port = free_port()
    server = multiprocessing.get_context("spawn").Process(target=serve, args=(asked.config, port, asked.pages))
    server.start()
    try:
        eventually(lambda: listening(port), 60, "the page")
        first = resident(server.pid)
        address = f"http://127.0.0.1:{port}"
        tokens = {user.name: {"Authorization": f"Bearer {user.token.reveal()}"} for user in users}
        words = ["--max-time", str(asked.seconds), "--seed", str(asked.seed), "--continue-on-failure",
                 "--request-timeout", "120", "--exclude-path-regex", STREAMS,
                 *(["--checks", "not_a_server_error"] if asked.pages else ["--exclude-checks", LEFT_OUT])]
        for name, value in tokens.get(asked.user, {}).items():
            words += ["--header", f"{name}: {value}"]
        with tempfile.NamedTemporaryFile("w", suffix=".json") as file:
            first_of_all = next(iter(tokens.values()), {})
            file.write(httpx.get(f"{address}/api/v1/openapi.json", headers=first_of_all, timeout=120).text)
            file.flush()
            subprocess.run([Path(sys.executable).with_name("schemathesis"), "run", file.name, "--url", address, *words],
                           check=False)
        assert server.is_alive(), "the server is gone"
        print(f"memory of the server {first:.0f} MiB before, {resident(server.pid):.0f} MiB after")
    finally:
        server.terminate()
        server.join(10)


if __name__ == "__main__":
    main()
