"""What the environment does to us: errors with a cause and a next step.

What a *device* does is data (`busprobe.model.exchange.Outcome`); what our own code does wrong is
an ordinary exception.

    BusprobeError
    ├── InputError   the call or an input file is wrong          exit status 2
    └── LinkError    the link could not be used or was lost      exit status 3
"""

from __future__ import annotations


class BusprobeError(Exception):
    """An error that a technician can do something about.

    Attributes:
        cause: One sentence that says what happened.
        next_step: One sentence that says what to do.
    """

    def __init__(self, cause: str, next_step: str) -> None:
        super().__init__(cause, next_step)
        self.cause = cause
        self.next_step = next_step

    def __str__(self) -> str:
        return f"{self.cause} {self.next_step}"


class InputError(BusprobeError):
    """The call, or a file that was given, is wrong."""


class Stopped(InputError):
    """The technician stopped the work before it came to anything."""


class LinkError(BusprobeError):
    """The link could not be opened, or was lost while working."""
