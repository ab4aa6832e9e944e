"""Feeds a target of `tests/fuzz` for as long as asked, guided by coverage; needs atheris (pip install atheris).

    PYTHONPATH=.:tests python tests/bench/fuzzing.py TARGET SECONDS [FOLDER FOR THE GROWING CORPUS]

What makes it fail is left in the working folder as crash-*; mend it, and put it into tests/fuzz/corpus/TARGET.
"""

from __future__ import annotations

import importlib
import sys
import tempfile

atheris = importlib.import_module("atheris")
with atheris.instrument_imports(include=["monitor", "tomllib"], exclude=["monitor.compiled", "monitor.engine"]):
    from fuzz.targets import CORPUS, TARGETS


def main() -> None:
    name, seconds, *kept = sys.argv[1:]
    grown = kept[0] if kept else tempfile.mkdtemp()
    options = [f"-max_total_time={seconds}", "-max_len=4096", "-rss_limit_mb=4096", "-timeout=60"]
    atheris.Setup([sys.argv[0], *options, grown, str(CORPUS / name)], TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
