"""Reading recordings: one source stage, `ingest`, over a reader for each family of file formats."""

from __future__ import annotations

from nightmill.stage import Stage

from .stage import Ingest

STAGES: list[type[Stage]] = [Ingest]

__all__ = ["STAGES", "Ingest"]
