"""The page beside a daemon: a process of its own that reads the store, so that its faults are not the daemon's."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

PAUSE_S = (2.0, 300.0)      # before a page that stopped is started again: the first and the longest
SETTLED_S = 60.0            # a page that ran so long starts the pauses anew
LOOK_S = 0.5
NICER = 5                   # by so much the page is nicer than the daemon


class PageProcess:
    """Keeps `bagwright page`, or another command that serves the store, running between `__enter__` and `__exit__`.
    warn: where troubles are said; what: how it is called there.

    The child reads a pipe that ends with us, however we end, so that none is left behind to hold the port.
    """

    def __init__(self, config: Path, warn: Callable[[str], None], command: str = "page", what: str = "page") -> None:
        self._command = [sys.executable, "-m", "monitor", command, "--beside", "--config", str(config)]
        self._warn, self._what = warn, what
        self._stop, self._renewing = threading.Event(), threading.Event()
        self._process = self._start()
        self._thread = threading.Thread(target=self._keep, name="page", daemon=True)

    def _start(self) -> subprocess.Popen[bytes]:
        # Its own session: Ctrl-C at the terminal is for the daemon, which ends the page itself.
        return subprocess.Popen(
            self._command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, start_new_session=True
        )

    def _keep(self) -> None:
        pause, began = PAUSE_S[0], time.monotonic()
        while not self._stop.wait(LOOK_S):
            code = self._process.poll()
            if code is None:
                continue
            if self._renewing.is_set():
                self._renewing.clear()
                self._hang_up()
                self._process = self._start()
                continue
            if time.monotonic() - began > SETTLED_S:
                pause = PAUSE_S[0]
            self._warn(f"the {self._what} stopped (exit code {code}) and is started again in {pause:.0f} s; "
                       "the daemon goes on")
            if self._stop.wait(pause):
                return
            pause, began = min(2 * pause, PAUSE_S[1]), time.monotonic()
            self._hang_up()
            self._process = self._start()

    def renew(self) -> None:
        """Start the page again: the configuration is another."""
        self._renewing.set()
        self._process.terminate()

    def _hang_up(self) -> None:
        if self._process.stdin is not None:
            self._process.stdin.close()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self._process.terminate()
        self._hang_up()
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def give_way() -> None:
    """Where processors are short the daemon goes first: nobody's reading waits for a page. Linux may weigh a session
    as a whole (man sched, "The autogroup feature"), and the page is one of its own. A filter of system
    calls may forbid both."""
    if hasattr(os, "nice"):
        with contextlib.suppress(OSError):
            os.nice(NICER)
    with contextlib.suppress(OSError):
        Path("/proc/self/autogroup").write_text(str(NICER))


def end_with_parent() -> None:
    """Ends this process when standard input ends: the other side of `PageProcess`."""

    def listen() -> None:
        # Not through sys.stdin: its lock, held by this thread, would end an interpreter that exits with a crash.
        while os.read(sys.stdin.fileno(), 1):
            pass
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=listen, name="parent", daemon=True).start()
