"""The embedded store, system of record: SQLite with recent rows, packed hours, events, outbox and quarantine.

Store         the daemon's writer: `commit(Batch)` is one transaction, on the disk when it returns
Reader        pages and commands; never holds up the writer
submit        leaves a request for the daemon; `requeue` tries refused notices again
next_try      back-off of the outbox
StoreRetryError   nothing was changed; the same call may succeed later
"""

from monitor.store.faults import StoreRetryError
from monitor.store.outbox import next_try
from monitor.store.reader import Reader
from monitor.store.requests import requeue, submit
from monitor.store.types import (
    Batch,
    Checkpoint,
    Committed,
    Done,
    Due,
    Notice,
    QuarantineCount,
    Request,
    SignalVersion,
    Trend,
)
from monitor.store.writer import Store

__all__ = ["Batch", "Checkpoint", "Committed", "Done", "Due", "Notice", "QuarantineCount", "Reader", "Request",
           "SignalVersion", "Store", "StoreRetryError", "Trend", "next_try", "requeue", "submit"]
