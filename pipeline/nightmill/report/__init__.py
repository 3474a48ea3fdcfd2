"""OUT/report/index.html: the night at a glance, one file that works from the disk, by mail and on any web server."""

from .page import Report
from .view import Sources

__all__ = ["Report", "Sources"]
