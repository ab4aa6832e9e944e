"""The errors a person may meet.

    MonitorError             what we can explain in a sentence; never a traceback
    |- InputError            the user's file, configuration or command is unusable: exit code 2
    |  `- ConfigError        one or several faults in configuration, each with file, key, found, accepted
    `- RunError              something outside failed while we ran: exit code 1
       |- StoreError         the store cannot be read or written, or belongs to another
       `- BrokerError        the MQTT broker refuses us for good (credentials, protocol)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class MonitorError(Exception):
    """A fault with an explanation for a person."""

    exit_code = 1


class InputError(MonitorError):
    """Unusable input: says which file, which line or key, and what is accepted."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of a configuration."""

    file: str
    key: str
    found: str
    accepted: str

    def __str__(self) -> str:
        return f"{self.file}: {self.key}: found {self.found}; accepted: {self.accepted}"


class ConfigError(InputError):
    """Every fault found in the configuration, at once."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(map(str, faults)))


class RunError(MonitorError):
    """Something outside failed while running."""


class StoreError(RunError):
    """The store cannot be used: unreadable, unwritable, newer than this program, or in use."""


class BrokerError(RunError):
    """The broker refuses us in a way that waiting will not mend."""
