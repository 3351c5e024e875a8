"""The errors poolwatch raises on purpose.

Every message says what went wrong, where, what was found there and what to do next, on one line.
The command line turns each into that line and its exit code; nothing else is caught.
"""

from __future__ import annotations


class PoolwatchError(Exception):
    """Base of every error that poolwatch raises on purpose."""

    exit_code = 1


class UsageError(PoolwatchError, ValueError):
    """An argument, setting or table cell is wrong; the work was not begun."""

    exit_code = 2


class ClipError(PoolwatchError, OSError):
    """A recording cannot be read, or not as far as was asked."""


class MeasurementError(PoolwatchError, ValueError):
    """The recording was read, but what was asked of it cannot be measured."""


class OutputError(PoolwatchError, OSError):
    """A result cannot be written or read back."""
