"""Runs a plan: one process that decides, workers that do, a folder that remembers."""

from .engines import Engine, SerialEngine
from .night_run import Options, run_night

__all__ = ["Engine", "Options", "SerialEngine", "run_night"]
