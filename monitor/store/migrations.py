"""The numbered steps that make a store what this program expects, recorded in the store itself.

A step that was applied is never edited: its checksum is compared at every start.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from importlib import resources

import apsw

from monitor import __version__
from monitor.errors import StoreError

APPLICATION_ID = 0x42_61_67_77  # "Bagw", in the file's header: tells our files from other SQLite databases

_MAGIC = b"SQLite format 3\0"   # its documented file format, section 1.3.1

_RECORD = """CREATE TABLE IF NOT EXISTS migration (
    number   INTEGER PRIMARY KEY,
    name     TEXT NOT NULL,
    applied  INTEGER NOT NULL,
    program  TEXT NOT NULL,
    checksum TEXT NOT NULL
) STRICT"""


@dataclass(frozen=True, slots=True)
class Migration:
    number: int
    name: str
    sql: str

    @property
    def checksum(self) -> str:
        return hashlib.sha256(self.sql.encode()).hexdigest()


@cache
def shipped() -> tuple[Migration, ...]:
    """The steps this program knows, in order."""
    files = sorted((f for f in (resources.files(__package__) / "sql").iterdir() if f.name.endswith(".sql")),
                   key=lambda f: f.name)
    steps = (f.name.removesuffix(".sql").partition("_") for f in files)
    return tuple(Migration(int(number), name, file.read_text("utf-8"))
                 for file, (number, _, name) in zip(files, steps, strict=True))


def check_header(path: str) -> None:
    """Raises StoreError for a file that is no database: SQLite would take a very short one for an empty store."""
    try:
        with open(path, "rb") as file:
            head = file.read(len(_MAGIC))
    except FileNotFoundError:
        return
    except OSError as error:
        raise StoreError(f"{path}: the store cannot be read ({error.strerror})") from None
    if head and head != _MAGIC:
        raise StoreError(f"{path} is not a store: the file is no database. Name another file under [store] path")


def check(db: apsw.Connection, path: str) -> int:
    """The store's schema number. Raises StoreError where it is not ours, newer, or was altered."""
    number, application = int(db.pragma("user_version")), int(db.pragma("application_id"))
    if application != APPLICATION_ID and (application or number or _has_tables(db)):
        raise StoreError(f"{path} is not a store: it is another program's database. "
                         "Name another file under [store] path")
    if number > len(shipped()):
        program = db.execute("SELECT program FROM migration ORDER BY number DESC LIMIT 1").get
        raise StoreError(f"{path}: the store was written by a newer version, {program} (schema {number}); this is "
                         f"{__version__} (schema {len(shipped())}). Update this program, or name another store")
    _compare(db, path, number)
    return number


def require_current(db: apsw.Connection, path: str) -> None:
    """Raises StoreError unless the store is of this program's schema: only the daemon migrates."""
    number = check(db, path)
    if number < len(shipped()):
        raise StoreError(f"{path}: the store is empty or of an older version (schema {number}; this program, "
                         f"{__version__}, reads schema {len(shipped())}). Start the daemon once: "
                         "it brings the store up to date")


def migrate(db: apsw.Connection, path: str, now: int) -> int:
    """Applies what is missing, each step in a transaction of its own. Returns how many were applied."""
    number = check(db, path)
    for step in shipped()[number:]:
        db.execute("BEGIN IMMEDIATE")
        try:
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(_RECORD)
            db.execute(step.sql).fetchall()  # a statement that gives rows would stop the script there
            db.execute("INSERT INTO migration VALUES (?, ?, ?, ?, ?)",
                       (step.number, step.name, now, __version__, step.checksum))
            db.execute(f"PRAGMA user_version = {step.number}")
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
    return len(shipped()) - number


def _has_tables(db: apsw.Connection) -> bool:
    return db.execute("SELECT 1 FROM sqlite_schema LIMIT 1").get is not None


def _compare(db: apsw.Connection, path: str, number: int) -> None:
    if number == 0:
        return
    found = dict(db.execute("SELECT number, checksum FROM migration"))
    for step in shipped()[:number]:
        if found.get(step.number) != step.checksum:
            raise StoreError(f"{path}: step {step.number} ({step.name}) of the store's schema is not the one this "
                             f"program, {__version__}, ships. Use the version that wrote the store, "
                             "or name another store")
