"""Stand-ins for Debian's tools."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

# A package is here a tar file; the stand-ins keep to the options that debian.py uses.
APT_GET = """\
#!/bin/sh
echo "$@" >>"$LOG"
for word in "$@"; do
    case $word in Dir::Cache=*) cache=${word#*=} ;; esac
done
case " $* " in
*" no-such-package "*) echo "E: Unable to locate package no-such-package"; exit 100 ;;
*" install "*) cp "$DEB" "$cache/archives/" ;;
esac
"""
DPKG_DEB = '#!/bin/sh\nexec tar -xf "$2" -C "$3"\n'


@pytest.fixture
def stand_in_apt(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[Path], Path]:
    """Puts an apt-get on the PATH that knows one package, the tree given; it returns the log of its calls."""

    def make(tree: Path) -> Path:
        tools = tmp_path / "tools"
        tools.mkdir()
        for name, text in {"apt-get": APT_GET, "dpkg-deb": DPKG_DEB}.items():
            (tools / name).write_text(text)
            (tools / name).chmod(0o755)
        subprocess.run(["tar", "-cf", str(tmp_path / "package.deb"), "-C", str(tree), "usr"], check=True)
        monkeypatch.setenv("PATH", os.pathsep.join([str(tools), "/usr/bin", "/bin"]))
        monkeypatch.setenv("LOG", str(tmp_path / "log"))
        monkeypatch.setenv("DEB", str(tmp_path / "package.deb"))
        return tmp_path / "log"

    return make
