"""Bagwright: watches liquid bag-filter skids from their pressure transmitters."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("bagwright")
except PackageNotFoundError:  # run from a source tree that was never installed
    __version__ = "0+source"
