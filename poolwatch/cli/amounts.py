"""An amount on the command line: a number with or without a unit."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Any

import click

from ..model.errors import UsageError
from ..plan.amounts import parse_amount

if TYPE_CHECKING:
    _ParamType = click.ParamType[float]
else:
    _ParamType = click.ParamType


class Amount(_ParamType):
    """``50um``, ``20m/s``, ``0.05``; without a unit it is in the unit of poolwatch's files.

    A bare number is handed on as it stands where `bare` says so: what may be 0 or less is told by its own rules.
    """

    def __init__(self, unit: str, *, bare: bool = False) -> None:
        self.unit = unit
        self.bare = bare
        self.name = unit

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The amount in the unit of poolwatch's files."""
        if isinstance(value, float):
            return value
        if self.bare:
            with suppress(ValueError):
                return float(value)
        try:
            return parse_amount(str(value), self.unit)
        except UsageError as error:
            raise UsageError(f"{param.opts[0]}: {error}" if param is not None else str(error)) from None

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        """The unit."""
        return self.unit.upper()
