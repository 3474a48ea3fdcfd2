"""Every error that nightmill raises on purpose, and the exit code each leads to.

NightmillError
├── UsageError          2   the command, recipe or night file is wrong: the user can put it right
│   └── RecipeError     2   as above, with every problem's file, line and column
├── PluginError         4   a plugin that the recipe uses is missing or broken: its author can put it right
├── LockedError        75   another run holds the output folder
├── MachineError        3   the machine failed us: disk full, scheduler lost
└── CaptureError        1   the data of one capture are bad: it is set aside, the night goes on
"""

from __future__ import annotations

__all__ = [
    "CaptureError",
    "LockedError",
    "MachineError",
    "NightmillError",
    "PluginError",
    "RecipeError",
    "UsageError",
]


class NightmillError(Exception):
    """Base of all errors that carry a message for a person; `exit_code` is what the command returns."""

    exit_code = 3


class UsageError(NightmillError):
    """Wrong usage, recipe or night file; nothing was started."""

    exit_code = 2


class RecipeError(UsageError):
    """A YAML file with problems; the message lists all of them with file, line and column."""


class PluginError(NightmillError):
    """A plugin that is needed is missing, broken or made for another version."""

    exit_code = 4


class LockedError(NightmillError):
    """Another run holds the output folder."""

    exit_code = 75


class MachineError(NightmillError):
    """Disk full, scheduler lost, or another failure of the machine; the run can be resumed."""

    exit_code = 3


class CaptureError(NightmillError):
    """The data of one capture cannot be used; the message is the reason a person reads in the morning.

    Raise it from a stage to set a capture aside with a plain sentence and no traceback.
    """

    exit_code = 1
