"""The one boundary around what may raise anything: plugins' code where it is loaded, vetted and tested, and tasks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, TypeVar

__all__ = ["Attempt", "attempt"]

T = TypeVar("T")


class Attempt(Generic[T]):
    """What came of a call: its value, or what it raised.

    Attributes
    ----------
    error : BaseException or None
        What was raised, with its traceback.
    """

    def __init__(self, value: T | None, error: BaseException | None) -> None:
        self._value, self.error = value, error

    @property
    def value(self) -> T:
        """The value; the error is raised when there is none."""
        if self.error is not None:
            raise self.error
        return self._value  # type: ignore[return-value]


def attempt(call: Callable[[], T]) -> Attempt[T]:
    """Call and return what is raised instead of letting it pass.

    Everything is caught, for nobody knows what strangers' code raises: a plugin that ends the program (SystemExit) or
    raises GeneratorExit must cost itself and not the night. Only Ctrl-C passes: it is the user's, not the plugin's.
    """
    try:
        return Attempt(call(), None)
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        return Attempt(None, error)
