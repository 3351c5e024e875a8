"""What the docstring of a settings class says of each of its fields."""

from __future__ import annotations

import inspect
import re
from typing import Any

from ..model.settings import Settings

_FIELD = re.compile(r"^[a-z_]+(, [a-z_]+)*$")


def field_meanings(settings: type[Settings]) -> dict[str, str]:
    """Meaning of every field that holds a value, from the section ``Attributes`` of a numpydoc docstring.

    Fields that are tables of settings themselves are left out: their own fields say what they are.

    Raises
    ------
    KeyError
        A field is not described there.
    """
    text = inspect.getdoc(settings) or ""
    _, _, attributes = text.partition("Attributes\n----------\n")
    meanings: dict[str, list[str]] = {}
    names: list[str] = []
    for line in attributes.splitlines():
        if _FIELD.match(line):
            names = line.split(", ")
        elif line.strip():
            for name in names:
                meanings.setdefault(name, []).append(line.strip())
    fields = [name for name, field in settings.model_fields.items() if not is_table(field.annotation)]
    missing = [name for name in fields if name not in meanings]
    if missing:
        raise KeyError(f"the docstring of {settings.__name__} does not describe {missing}")
    return {name: " ".join(meanings[name]).replace("``", "`") for name in fields}


def is_table(kind: Any) -> bool:
    """Whether a field's type is a settings class, which TOML writes as a table."""
    return isinstance(kind, type) and issubclass(kind, Settings)
