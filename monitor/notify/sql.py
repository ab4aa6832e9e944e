"""Lines of `tables` into PostgreSQL, one transaction a request, with psycopg 3.

Tables are made where they are missing; nothing is ever altered or dropped. What an error means, by its SQLSTATE class:

    22, 23                  a row is refused: the lines are divided until the refusing ones stand alone
    28, 3D, 3F, 42          the operator has to mend something: tried again slowly
    all others, network     later, after the back-off

Without a word against it, only an encrypted connection to a server whose certificate is good for its name is used, but
for one on this very machine.
"""

from __future__ import annotations

import contextlib
import importlib.util
import json
import os
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from monitor.errors import InputError
from monitor.notify.delivery import LineWriter, TooLarge
from monitor.notify.outcome import Later, Outcome, Refused, Taken, shown
from monitor.notify.tables import NUMBER, SMALL, TABLES, TEXT, TRUTH, WHOLE, Table
from monitor.settings import SqlSettings

if TYPE_CHECKING:
    import psycopg

CONNECT_S, ANSWER_S = 3, 15.0
_THERE = "SELECT table_name FROM information_schema.tables WHERE table_schema = %s"
_ROWS, _MEND = frozenset({"22", "23"}), frozenset({"28", "3D", "3F", "42"})


class SqlWriter(LineWriter):
    """One database. answer_s: how long one transaction may take. Raises InputError without psycopg."""

    def __init__(self, settings: SqlSettings, *, proven: threading.Event | None = None,
                 stopping: Callable[[], bool] = lambda: False, answer_s: float = ANSWER_S) -> None:
        if importlib.util.find_spec("psycopg") is None:
            raise InputError("[notify.sql] needs psycopg; install it with: pip install 'bagwright[sql]'") from None
        super().__init__(proven, stopping)
        self._settings, self._answer_s = settings, answer_s
        self._secret = "" if settings.password is None else settings.password.reveal()
        self._connection: psycopg.Connection[Any] | None = None

    def write(self, lines: Sequence[str]) -> Outcome | TooLarge:
        """One transaction: all of the lines, or none."""
        import psycopg

        try:
            grouped = {table: _columns(table, rows) for table, rows in _grouped(lines).items()}
        except (ValueError, KeyError, TypeError) as error:
            return Refused(f"the line is none of ours: {error}")
        try:
            with self._watched(self._connected()) as connection, connection.transaction():
                for table, columns in grouped.items():
                    connection.execute(_insert(table, self._settings.schema), columns)
            return Taken()
        except psycopg.Error as error:
            return self._judged(error)

    def close(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()

    @contextlib.contextmanager
    def _watched(self, connection: psycopg.Connection[Any]) -> Iterator[psycopg.Connection[Any]]:
        """The connection, which is cut where the server says nothing for too long."""
        watch = threading.Timer(self._answer_s, _cut, [connection])
        watch.daemon = True
        watch.start()
        try:
            yield connection
        finally:
            watch.cancel()

    def _connected(self) -> psycopg.Connection[Any]:
        import psycopg

        if self._connection is None or self._connection.closed:
            s = self._settings
            tls = ("verify-full", s.ca_file or "system") if s.tls else ("prefer", None)
            connection = psycopg.connect(
                host=s.host, port=s.port, dbname=s.database, user=s.username, password=self._secret or None,
                connect_timeout=CONNECT_S, application_name="bagwright", autocommit=True, keepalives_idle=10,
                tcp_user_timeout=round(self._answer_s * 1e3), sslmode=tls[0], sslrootcert=tls[1],
            )  # fmt: skip
            self._connection = connection
            self._prepare(connection)
        return self._connection

    def _prepare(self, connection: psycopg.Connection[Any]) -> None:
        """Make what is missing. Who may not create need not, where somebody else has."""
        from psycopg.errors import DuplicateTable, UniqueViolation

        schema = self._settings.schema
        try:
            with self._watched(connection):
                there = {row[0] for row in connection.execute(_THERE, [schema])}
                for statement in statements(schema, [t for t in TABLES.values() if t.name not in there]):
                    with contextlib.suppress(UniqueViolation, DuplicateTable):
                        connection.execute(statement)   # our other sender may make the same at this moment
        except BaseException:
            self.close()
            raise

    def _judged(self, error: psycopg.Error) -> Outcome:
        place = f"{self._settings.host}:{self._settings.port}/{self._settings.database}"
        kind = (error.sqlstate or "")[:2]
        said = f"{place}: {shown(str(error) or type(error).__name__, [self._secret])}"
        if self._connection is not None and (self._connection.broken or kind not in _ROWS):
            self.close()
        if kind in _ROWS or (not kind and type(error).__name__ == "DataError"):
            return Refused(said)
        if kind in _MEND or "authentication failed" in said or "does not exist" in said:
            look = "look at host, database, username, password and schema_name under [notify.sql]"
            return Later(f"{said}; {look}", slow=True)
        return Later(said)


def statements(schema: str, tables: Sequence[Table] = tuple(TABLES.values())) -> list[str]:
    """What makes the schema and its tables where they are missing."""
    made = [f"CREATE SCHEMA IF NOT EXISTS {_name(schema)}"] if tables else []
    for table in tables:
        place = f"{_name(schema)}.{_name(table.name)}"
        columns = [f"{_name(name)} {kind}{' NOT NULL' if name in table.key else ''}" for name, kind, _ in table.columns]
        times = [name for name in table.names if name.endswith("_ns")]
        derived = "timestamptz GENERATED ALWAYS AS (to_timestamp({} / 1e9)) STORED"
        columns += [f"{_name(t.removesuffix('_ns'))} {derived.format(_name(t))}" for t in times]
        key = ", ".join(_name(name) for name in table.key)
        made.append(f"CREATE TABLE IF NOT EXISTS {place} ({', '.join(columns)}, PRIMARY KEY ({key}))")
        if "time_ns" in table.names:
            index = _name(f"{table.name}_by_time")
            made.append(f"CREATE INDEX IF NOT EXISTS {index} ON {place} USING brin (time)")
    return made


def _insert(table: Table, schema: str) -> str:
    names = ", ".join(_name(name) for name in table.names)
    arrays = ", ".join(f"%s::{kind}[]" for _, kind, _ in table.columns)
    key = ", ".join(_name(name) for name in table.key)
    others = [_name(name) for name in table.names if name not in table.key]
    changes = ", ".join(f"{name} = excluded.{name}" for name in others)
    said = f"DO UPDATE SET {changes}" if table.newest else "DO NOTHING"
    place = f"{_name(schema)}.{_name(table.name)}"
    return f"INSERT INTO {place} ({names}) SELECT * FROM unnest({arrays}) ON CONFLICT ({key}) {said}"  # noqa: S608


def _grouped(lines: Sequence[str]) -> dict[Table, list[list[Any]]]:
    """Rows by table; of those with one key that may be changed, the last."""
    found: dict[str, dict[Any, list[Any]]] = {}
    for number, line in enumerate(lines):
        name, *values = json.loads(line)
        table = TABLES[name]
        if len(values) != len(table.columns):
            raise ValueError(f"{name} has {len(table.columns)} columns")
        key: Any = number
        if table.newest:
            places = [table.names.index(k) for k in table.key]
            key = tuple(values[p] for p in places)
        found.setdefault(name, {})[key] = values
    return {TABLES[name]: list(rows.values()) for name, rows in found.items()}


def _columns(table: Table, rows: Sequence[Sequence[Any]]) -> list[list[Any]]:
    """Values by column, as the database can hold them: its text has no NUL and no half of a character."""
    columns = [list(column) for column in zip(*rows, strict=True)]
    for column, (_, kind, _) in zip(columns, table.columns, strict=True):
        column[:] = [None if value is None else _READ[kind](value) for value in column]
    return columns


def _text(value: Any) -> str:
    return str(value).replace("\0", " ").encode("utf-8", "replace").decode()


_READ: dict[str, Callable[[Any], Any]] = {TEXT: _text, NUMBER: float, WHOLE: int, SMALL: int, TRUTH: bool}


def _name(word: str) -> str:
    return '"' + word.replace('"', '""') + '"'


def _cut(connection: psycopg.Connection[Any]) -> None:
    """Ends a wait for a server that does not answer: its socket is shut from our side."""
    with contextlib.suppress(Exception), socket.socket(fileno=os.dup(connection.fileno())) as line:
        line.shutdown(socket.SHUT_RDWR)
