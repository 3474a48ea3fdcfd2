"""Runs a plan: one process that decides, workers that do, a folder that remembers."""

from .engines import Engine, SerialEngine
from .night_run import Options, Result, run_night

__all__ = ["Engine", "Options", "Result", "SerialEngine", "run_night"]
