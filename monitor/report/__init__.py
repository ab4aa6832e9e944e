"""The report of a replay: one page that needs nothing beside it."""

from monitor.report.report import write_report

__all__ = ["write_report"]
