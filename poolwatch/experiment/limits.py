"""What cannot be set: forbidden combinations, parts without their parent, levels between those listed.

`poolwatch plan trial` writes them beside the manifest (``plan.toml``), so that what is advised later keeps to them.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..model.errors import UsageError
from .factors import ABSENT, Factor, Run, Value, is_nothing

PLAN_FILE = "plan.toml"
_RANGE = re.compile(r"\s*(\S+?)\s*\.\.\s*(\S+)\s*")
# Two numbers of a table are the same to this.
_SAME = 1e-9


@dataclass(frozen=True)
class Forbidden:
    """A combination that cannot be welded: all of `pairs` at once; a pair is a factor with a value or a span."""

    pairs: dict[str, Value | tuple[float, float]]

    def holds(self, run: Run) -> bool:
        """Whether a run is this combination."""
        return all(name in run and _meets(run[name], wanted) for name, wanted in self.pairs.items())


@dataclass(frozen=True)
class Limits:
    """What a plan says of settings.

    Attributes
    ----------
    nested
        Factor of a part → factor that it is nested in.
    forbidden
        Combinations that cannot be welded.
    listed
        Numbers that a factor can take, by name, for factors planned as a list and not as a range.
    """

    nested: dict[str, str] = field(default_factory=dict)
    forbidden: tuple[Forbidden, ...] = ()
    listed: dict[str, tuple[float, ...]] = field(default_factory=dict)

    def allow(self, run: Run) -> bool:
        """Whether a setting can be welded."""
        return not any(one.holds(run) for one in self.forbidden)

    def with_those_of(self, other: Limits) -> Limits:
        """What this plan or another one forbids; numbers that either lists."""
        both = {*self.listed, *other.listed}
        listed = {name: self.listed.get(name, ()) + other.listed.get(name, ()) for name in both}
        return Limits(
            self.nested | other.nested,
            self.forbidden + other.forbidden,
            {name: tuple(sorted(set(levels))) for name, levels in listed.items()},
        )


def nest(factors: Sequence[Factor], nested: Mapping[str, str]) -> tuple[Factor, ...]:
    """Factors with what they are nested in.

    Raises
    ------
    UsageError
        A name is no factor, a factor is nested in itself, or its parent has no level without the part: 0, ``none``,
        ``no`` or ``absent``.
    """
    known = {factor.name: factor for factor in factors}
    for part, parent in nested.items():
        strange = next((name for name in (part, parent) if name not in known), None)
        if strange is not None:
            raise UsageError(f"--nested: {strange!r} is no factor; factors: {', '.join(known)}")
        if part in _line(parent, nested):
            raise UsageError(f"--nested: {part!r} is nested in itself")
        within = levels_with(known[parent])
        if not within or (len(within) == len(known[parent].levels) and parent not in nested):
            raise UsageError(
                f"--nested: {parent} has no level without {part}; give it a level 0 (numbers) or none (words)"
            )
        known[part] = replace(known[part], nested_in=parent, within=within)
    return tuple(known.values())


def levels_with(parent: Factor) -> tuple[Value, ...]:
    """Levels of a factor with which its part is there: all but 0, or but ``none``, ``no`` and ``absent``."""
    if parent.of_words:
        return tuple(level for level in parent.levels if level not in ("none", "no", ABSENT))
    if parent.period:
        return parent.levels
    nothing = is_nothing(np.array(parent.levels, dtype=np.float64))
    return tuple(level for level, none in zip(parent.levels, nothing, strict=True) if not none)


def complete(run: Run, factors: Sequence[Factor]) -> dict[str, Value]:
    """A setting with the figures of parts that it lacks set to absent."""
    made = dict(run)
    for _ in factors:
        for factor in factors:
            known = factor.nested_in in made and factor.name in made
            if known and not factor.exists_with(made[factor.nested_in]):
                made[factor.name] = ABSENT
    return made


def parse_nested(texts: Sequence[str]) -> dict[str, str]:
    """Parts and parents from ``ring_diameter_mm in ring_share``; several parts with commas or blanks.

    Raises
    ------
    UsageError
        A text is not of that form.

    Examples
    --------
    >>> parse_nested(["ring_diameter_mm ring_width_mm in ring_share"])
    {'ring_diameter_mm': 'ring_share', 'ring_width_mm': 'ring_share'}
    """
    found: dict[str, str] = {}
    for text in texts:
        parts, word, parent = text.replace(",", " ").rpartition(" in ")
        if not word or not parts.split() or len(parent.split()) != 1:
            raise UsageError(
                f"--nested {text!r}: write 'PART in PARENT', as in 'ring_diameter_mm in ring_share'"
            )
        found |= dict.fromkeys(parts.split(), parent.strip())
    return found


def parse_forbidden(text: str, factors: Sequence[Factor]) -> Forbidden:
    """A forbidden combination from ``ring_share=0 ring_diameter_mm=1..2``.

    Raises
    ------
    UsageError
        A pair is not of that form, or names no factor or a word that is no level of it.
    """
    known = {factor.name: factor for factor in factors}
    pairs: dict[str, Value | tuple[float, float]] = {}
    for pair in text.split():
        name, sign, said = pair.partition("=")
        if not sign or not said or name not in known:
            raise UsageError(f"--forbid {text!r}: {pair!r} is no factor=value; factors: {', '.join(known)}")
        factor = known[name]
        if factor.of_words and said not in factor.levels:
            raise UsageError(
                f"--forbid {text!r}: {said!r} is no level of {name}: {', '.join(map(str, factor.levels))}"
            )
        pairs[name] = _wanted(said, text, name, words=factor.of_words)
    if not pairs:
        raise UsageError("--forbid is empty; write factor=value factor=value")
    return Forbidden(pairs)


def _wanted(said: str, text: str, name: str, *, words: bool) -> Value | tuple[float, float]:
    if words:
        return said
    span, value = _RANGE.fullmatch(said), number(said)
    if span:
        low, high = map(number, span.groups())
        if low is not None and high is not None:
            return min(low, high), max(low, high)
    if value is None:
        raise UsageError(f"--forbid {text!r}: {said!r} is no number and no low..high for {name}")
    return value


def number(text: str) -> float | None:
    """A finite number, or None."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def allowed(runs: list[dict[str, Value]], forbidden: tuple[Forbidden, ...]) -> list[dict[str, Value]]:
    """The runs that can be welded."""
    return [run for run in runs if not any(one.holds(run) for one in forbidden)]


def plan_text(
    factors: Sequence[Factor],
    nested: Mapping[str, str],
    forbid: Sequence[str],
    about: Mapping[str, str | int],
) -> str:
    """``plan.toml``: how a trial was planned.

    Parameters
    ----------
    factors
        What is varied.
    nested
        Part → parent.
    forbid
        Texts as for `parse_forbidden`.
    about
        Design, model, seed …
    """
    lines = ["# How this trial was planned. `poolwatch trial` reads it beside the manifest.", ""]
    lines += [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in about.items()]
    lines += [f"forbid = {json.dumps(list(forbid), ensure_ascii=False)}", "", "[factors]"]
    for factor in factors:
        key = "range" if factor.ranged else "levels"
        lines.append(f"{factor.name} = {{ {key} = {json.dumps(factor.settings, ensure_ascii=False)} }}")
    if nested:
        lines += ["", "[nested]", *(f"{part} = {json.dumps(parent)}" for part, parent in nested.items())]
    return "\n".join(lines) + "\n"


def read_limits(path: str | Path) -> Limits:
    """The limits in a ``plan.toml``; none where there is no such file.

    Raises
    ------
    UsageError
        The file cannot be read as one.
    """
    return limits_of(read_plan(path), path)


def read_plan(path: str | Path) -> str:
    """The text of a ``plan.toml``; empty where there is no such file.

    Raises
    ------
    UsageError
        The file cannot be read.
    """
    try:
        return Path(path).read_text(encoding="utf-8")
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{path}: cannot be read as a plan ({error}); mend it, or move it away") from None


def limits_of(text: str, where: str | Path) -> Limits:
    """The limits in the text of a ``plan.toml``; none in an empty one.

    Parameters
    ----------
    text
        The text.
    where
        What it is named in errors.

    Raises
    ------
    UsageError
        It is no plan.
    """
    try:
        content: dict[str, Any] = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UsageError(f"{where}: cannot be read as a plan ({error}); mend it, or move it away") from None
    try:
        nested = {str(part): str(parent) for part, parent in content.get("nested", {}).items()}
        listed, factors = {}, []
        for name, said in content.get("factors", {}).items():
            levels = said.get("levels") or said["range"]
            words = isinstance(levels[0], str)
            factors.append(Factor(name, tuple(map(str, levels)) if words else tuple(map(float, levels))))
            if not words and "levels" in said:
                listed[name] = tuple(map(float, levels))
        forbidden = tuple(parse_forbidden(one, factors) for one in content.get("forbid", ()))
    except (AttributeError, TypeError, KeyError, IndexError, ValueError) as error:
        raise UsageError(f"{where}: is no plan of poolwatch ({error}); mend it, or move it away") from None
    return Limits(nested, forbidden, listed)


def _line(name: str, nested: Mapping[str, str]) -> list[str]:
    """A factor and all that it is nested in."""
    found = [name]
    while found[-1] in nested and nested[found[-1]] not in found:
        found.append(nested[found[-1]])
    return found


def _meets(value: Value, wanted: Value | tuple[float, float]) -> bool:
    if isinstance(wanted, str) or isinstance(value, str):
        return value == wanted
    if isinstance(wanted, tuple):
        low, high = wanted
        room = _SAME * max(abs(low), abs(high), 1e-300)
        return low - room <= float(value) <= high + room
    return math.isclose(float(value), wanted, rel_tol=_SAME, abs_tol=1e-12)
