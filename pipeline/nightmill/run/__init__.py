"""Runs a plan: one process that decides, workers that do, a folder that remembers."""

from .engines import Engine, SerialEngine
from .night_run import run_night
from .options import Options, Result

__all__ = ["Engine", "Options", "Result", "SerialEngine", "run_night"]
