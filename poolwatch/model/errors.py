"""The errors poolwatch raises on purpose.

Every message says what went wrong, where, what was found there and what to do next, on one line; only a `TableError`
has more, one for each problem. The command line turns each into that line and its exit code; nothing else is caught.
"""

from __future__ import annotations

from collections.abc import Sequence


class PoolwatchError(Exception):
    """Base of every error that poolwatch raises on purpose."""

    exit_code = 1


class UsageError(PoolwatchError, ValueError):
    """An argument, setting or table cell is wrong; the work was not begun."""

    exit_code = 2


class TableError(UsageError):
    """A table made by hand has problems: the first line says how many, each line after it holds one."""

    def __init__(self, headline: str, problems: Sequence[str]) -> None:
        self.headline, self.problems = headline, tuple(problems)
        super().__init__("\n".join([headline, *problems]))

    def __reduce__(self) -> tuple[type[TableError], tuple[str, tuple[str, ...]]]:
        return type(self), (self.headline, self.problems)


class ClipError(PoolwatchError, OSError):
    """A recording cannot be read, or not as far as was asked."""


class MeasurementError(PoolwatchError, ValueError):
    """The recording was read, but what was asked of it cannot be measured."""


class OutputError(PoolwatchError, OSError):
    """A result cannot be written or read back."""
