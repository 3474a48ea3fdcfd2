"""`nightmill map`: the command, the pictures it reads, the files it writes."""

from .command import map

__all__ = ["map"]
