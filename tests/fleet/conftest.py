"""Two nodes of Ray for all tests of a file."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from nodes import Cluster, ray_cluster


@pytest.fixture(scope="session")
def nodes() -> Iterator[Cluster]:
    # Not below pytest's folder: the names of sockets may have 107 characters.
    folder = Path(tempfile.mkdtemp(prefix="ray-"))
    with ray_cluster(folder) as cluster:
        yield cluster
    shutil.rmtree(folder, ignore_errors=True)
