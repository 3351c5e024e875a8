"""Notes grouped: those that say the same of other clips, shapes or factors are one line."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

_NUMBER = re.compile(r"\d+(?:\.\d+)?")


@dataclass(frozen=True)
class NoteGroup:
    """A note, and the others that say the same of something else."""

    first: str
    others: tuple[str, ...] = ()


def grouped(notes: Iterable[str], names: Iterable[str]) -> list[NoteGroup]:
    """Notes of one kind together, in the order of the first of each kind.

    Parameters
    ----------
    notes
        Sentences.
    names
        Clips, shapes and columns: notes that differ in these, and in numbers, alone are of one kind.
    """
    known = sorted({name for name in names if name}, key=lambda name: (-len(name), name))
    pattern = re.compile("|".join(map(re.escape, known))) if known else None
    kinds: dict[str, list[str]] = {}
    for note in dict.fromkeys(notes):
        bare = pattern.sub("…", note) if pattern else note
        kinds.setdefault(_NUMBER.sub("#", bare), []).append(note)
    return [NoteGroup(found[0], tuple(found[1:])) for found in kinds.values()]


def grouped_reasons(excluded: Sequence[tuple[str, str]], names: Iterable[str]) -> list[NoteGroup]:
    """What was left out and why, one group a reason."""
    return grouped([f"{clip}: {why}" for clip, why in excluded], [*names, *(clip for clip, _ in excluded)])
