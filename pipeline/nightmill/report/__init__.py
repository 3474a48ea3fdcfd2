"""OUT/report/index.html: the night at a glance."""

from .page import write_report

__all__ = ["write_report"]
