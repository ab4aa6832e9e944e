from __future__ import annotations

from pathlib import Path

import psycopg
import pytest
from services import postgres


def test_postgres_keeps_what_was_committed_through_a_kill_and_asks_for_its_password(tmp_path: Path) -> None:
    with postgres(tmp_path) as server:
        with psycopg.connect(server.url) as connection:
            connection.execute("CREATE TABLE intake (level float)")
            connection.execute("INSERT INTO intake VALUES (1.5)")
        server.kill()
        server.start()
        with psycopg.connect(server.url) as connection:
            assert connection.execute("SELECT level FROM intake").fetchall() == [(1.5,)]
        with pytest.raises(psycopg.OperationalError, match="password authentication failed"):
            psycopg.connect(server.url.replace(server.password, "wrong"))
