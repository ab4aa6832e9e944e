"""Steps on the store that are tried until they succeed: a full disk or a lock is waited for, not died of."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

from monitor.errors import RunError
from monitor.store import StoreRetryError

RETRY_S = (0.5, 10.0)       # the first pause and the longest

T = TypeVar("T")


def insist(step: Callable[[], T], stop: threading.Event, say: Callable[[str], None], meanwhile: str) -> T:
    """What the step gives in the end. Each different trouble is said once, and that it is over.

    meanwhile: what that means, the end of the sentence. Raises RunError where `stop` is set while the trouble lasts.
    """
    pause, told = RETRY_S[0], set[str]()
    while True:
        try:
            result = step()
        except StoreRetryError as error:
            trouble = str(error)
            if trouble not in told:
                told.add(trouble)
                say(f"{trouble}; {meanwhile}")
        else:
            if told:
                say("the store works again")
            return result
        if stop.wait(pause):
            raise RunError(f"stopped while the store could not be written; {meanwhile}")
        pause = min(pause * 2, RETRY_S[1])
