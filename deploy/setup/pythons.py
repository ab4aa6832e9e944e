"""Carries on in a Python that is new enough, or says which package brings one.

Read by whatever `python3` the machine has, so no syntax newer than Python 3.7; `bootstrap`,
imported afterwards, may use today's.
"""

import os
import shutil
import subprocess
import sys

OLDEST = (3, 11)
TESTED = ("3.13", "3.12", "3.11", "3.14")  # looked for in this order
MISSING = (
    "set-up: Python 3.11 or later is needed and none is on the PATH (this is {}.{}). Your system's package of that "
    "name brings it (Debian 12, Ubuntu 24.04: apt-get install python3 python3-venv); then run this again."
)


def use_suitable():
    # type: () -> None
    """Return where the running Python will do; else start the script again in one that does; else exit with 2."""
    if sys.version_info[:2] >= OLDEST:
        return
    found = find()
    if found is None:
        print(MISSING.format(*sys.version_info[:2]), file=sys.stderr)
        sys.exit(2)
    sys.stdout.flush()
    os.execv(found, [found, *sys.argv])


def find():
    # type: () -> str | None
    """Path of a tested Python on the PATH."""
    for version in TESTED:
        path = shutil.which("python" + version)
        # A version manager's shim may be there without a Python behind it: ask.
        if path and version_of(path) == version:
            return path
    return None


def version_of(python):
    # type: (str) -> str | None
    """Major and minor version of an interpreter, None where it does not run."""
    code = "import sys; print('%d.%d' % sys.version_info[:2])"
    try:
        said = subprocess.check_output([python, "-I", "-c", code], stderr=subprocess.DEVNULL, timeout=60)
    except (OSError, subprocess.SubprocessError):
        return None
    return said.decode().strip()
