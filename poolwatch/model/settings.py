"""Base of all settings objects: typed, frozen, and closed to unknown names."""

from __future__ import annotations

import hashlib
import json
import tomllib
from pathlib import Path
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, ValidationError

from .errors import UsageError


class Settings(BaseModel):
    """A frozen set of named values; unknown names and non-finite numbers are refused.

    What changes numbers lives in a subclass beside the step that uses it. What only changes how the work
    runs (workers, progress) never does.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @classmethod
    def checked(cls, values: dict[str, Any], *, where: str) -> Self:
        """Build from plain values, turning each fault into one line of a `UsageError`.

        Parameters
        ----------
        values
            Names and values, nested as the settings are.
        where
            What the values came from, for the message (a file's name, ``"command line"`` …).

        Raises
        ------
        UsageError
            A name is unknown or a value is of the wrong kind or out of range.
        """
        try:
            return cls.model_validate(values)
        except ValidationError as error:
            raise UsageError(f"{where}: {explain(error)}") from None

    def fingerprint(self) -> str:
        """Sixteen hexadecimal digits that change whenever a value does."""
        text = json.dumps(self.model_dump(mode="json"), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()[:16]


def explain(error: ValidationError) -> str:
    """Put what pydantic found wrong on one line, one clause a fault."""
    faults, strangers = [], []
    for fault in error.errors():
        name = ".".join(str(part) for part in fault["loc"]) or "value"
        if fault["type"] == "extra_forbidden":
            strangers.append(repr(name))
        elif fault["type"] == "missing":
            faults.append(f"{name!r} is missing")
        else:
            message = fault["msg"].removeprefix("Value error, ")
            faults.append(f"{name!r}: {message[:1].lower()}{message[1:]}, got {fault['input']!r}")
    if strangers:
        plural = "s" * (len(strangers) > 1)
        listed = ", ".join(strangers[:8]) + (f" and {len(strangers) - 8} more" if len(strangers) > 8 else "")
        faults.append(f"unknown setting{plural} {listed}; see the commented files in configs/ for the names")
    return "; ".join(faults)


def read_toml(path: str | Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    UsageError
        The file is missing, unreadable, not UTF-8 or not TOML.
    """
    path = Path(path)
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise UsageError(f"{path}: no such file; check the path") from None
    except OSError as error:
        raise UsageError(
            f"{path}: cannot be read ({error.strerror}); check the path and its permissions"
        ) from None
    except UnicodeDecodeError:
        raise UsageError(f"{path}: is not UTF-8 text; save it as UTF-8 TOML") from None
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"{path}: is not valid TOML ({error}); mend that place") from None
    except RecursionError:
        raise UsageError(f"{path}: is nested too deeply to be settings; give another file") from None
