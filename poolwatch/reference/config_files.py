"""The commented settings files in `configs/`: every setting with its default, made from the settings classes."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from pydantic.fields import FieldInfo

from ..measure.settings import MeasureSettings
from ..model.quantities import PARTS
from ..model.recording import Recording
from ..model.settings import Settings
from .attributes import field_meanings, is_table

_WIDTH = 110
_ABOUT = {
    "glowing": "Settings for glowing footage: the pool is brighter than its surroundings.",
    "illuminated": "Settings for illuminated footage: lamp or laser light through a narrow filter; the pool is no "
    "brighter than the metal.",
}
_HEAD = (
    "All are the defaults{but}. Copy the file, keep the lines that you change, and give it with --settings. "
    "A line that begins with # and a name is an example: without it the value is found from the clip, or not used."
)


def config_files() -> dict[str, str]:
    """Text of each file of settings, by its name."""
    return {
        "glowing.toml": _file("glowing", {}),
        "illuminated.toml": _file("illuminated", {"pool.footage": "illuminated"}),
    }


def _file(kind: str, other: dict[str, Any]) -> str:
    but = "".join(f", but for {name}" for name in other)
    lines = [*_comment(f"{_ABOUT[kind]} {_HEAD.format(but=but)}"), "", *_table(MeasureSettings, "", other)]
    return "\n".join(lines).rstrip("\n") + "\n"


def _table(settings: type[Settings], place: str, other: dict[str, Any]) -> Iterator[str]:
    """Lines of a table: its own fields, each below its meaning, then the tables inside it."""
    meanings = field_meanings(settings)
    inside: dict[str, type[Settings]] = {}
    own: list[str] = []
    said = ""
    for name, field in settings.model_fields.items():
        kind: Any = field.annotation
        if is_table(kind) or name == "recording":
            inside[name] = Recording if name == "recording" else kind
        elif name == "parts":
            own += _parts()
        else:
            line = _line(name, field, other.get(place + name), example=settings is Recording)
            if line and said != (said := meanings[name]):
                own += _comment(said)
            own += line
    if own and place:
        yield from ("", *_comment((settings.__doc__ or "").partition("\n")[0]))
        yield f"{'# ' * (settings is Recording)}[{place.rstrip('.')}]"
    yield from own
    for name, table in inside.items():
        yield from _table(table, f"{place}{name}.", other)


def _line(name: str, field: FieldInfo, other: Any, *, example: bool) -> list[str]:
    """The line of a field: its default, or an example where there is none or one is asked for."""
    value = field.get_default(call_default_factory=True) if other is None else other
    if not example and value is not None:
        return [f"{name} = {_toml(value)}"]
    return [f"# {name} = {_toml(one)}" for one in (field.examples or ())[:1]]


def _parts() -> Iterator[str]:
    yield "# Weight and half-value of each part of the index. These are ours: no standard sets them."
    for part in PARTS:
        value = f"parts.{part.name} = {{ weight = {_toml(part.weight)}, half = {_toml(part.half)} }}"
        yield f"{value}  # {part.value}"


def _comment(text: str) -> Iterator[str]:
    return (f"# {line}" for line in textwrap.wrap(text, _WIDTH - 2, break_on_hyphens=False))


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return f'"{value}"' if isinstance(value, str) else repr(value)
