"""A folder of numbered stills."""

from __future__ import annotations

import itertools
import os
import re
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.clip import ClipFacts
from ..model.errors import ClipError
from . import pictures
from .reader import BaseReader, check_size, check_type
from .settings import ClipSettings

_DIGITS = re.compile(r"(\d+)")
# Endings of stills that are compressed with loss.
_LOSSY = (".jpg", ".jpeg")


class StillsReader(BaseReader):
    """Reads stills in the order of the numbers in their names; a missing number is an undecodable frame."""

    def __init__(self, path: Path, *, settings: ClipSettings) -> None:
        super().__init__()
        self._settings = settings
        names, notes = _ordered(path)
        self._files = [None if name is None else path / name for name in names]
        first = next(file for file in self._files if file is not None)
        try:
            picture = pictures.read_picture(first, settings)
        except pictures.DamagedPicture as error:
            raise ClipError(
                f"{first}: the first still cannot be read ({error}); replace or remove it"
            ) from None
        kind = check_type(first, picture.dtype)
        height, width = picture.shape[:2]
        check_size(first, width, height, settings)
        if picture.ndim == 3:
            notes = (*notes, "colour to luma (ITU-R BT.601 weights)")
        missing = sum(file is None for file in self._files)
        facts = ClipFacts(
            path,
            "stills",
            f"{len(self._files) - missing} {first.suffix.lower()} stills, {kind}",
            width,
            height,
            kind,
            8 * picture.dtype.itemsize,
            0.0,
            len(self._files),
            notes=notes,
            flags=(
                *(("undecodable_frames", "missing_frames") if missing else ()),
                *(("lossy_video",) if first.suffix.lower() in _LOSSY else ()),
            ),
        )
        self._settle(facts, settings)

    def _read(self, start: int, stop: int) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        facts = self.facts
        out = np.zeros((stop - start, facts.height, facts.width), facts.dtype)
        decoded = np.zeros(stop - start, np.bool_)
        for place, file in enumerate(self._files[start:stop]):
            if file is None:
                continue
            try:
                picture = pictures.luma(pictures.read_picture(file, self._settings))
            except (pictures.DamagedPicture, FileNotFoundError):
                continue
            if picture.shape != out.shape[1:] or picture.dtype != out.dtype:
                height, width = picture.shape
                raise ClipError(
                    f"{file}: is {width} x {height} px, {picture.dtype}; the stills before it are "
                    f"{facts.width} x {facts.height} px, {facts.dtype}; keep one size and depth in a folder"
                )
            out[place] = picture
            decoded[place] = True
        return out, decoded


def _ordered(path: Path) -> tuple[list[str | None], tuple[str, ...]]:
    """Names in natural order, None where a number is missing, and what was noticed."""
    names = [name for name in os.listdir(path) if not name.startswith(".")]
    stills = [name for name in names if Path(name).suffix.lower() in pictures.ENDINGS]
    if not stills:
        raise ClipError(
            f"{path}: is a folder without stills ({', '.join(pictures.ENDINGS)}); "
            "give a folder of numbered stills, or one recording"
        )
    notes: list[str] = []
    ((ending, count),) = Counter(Path(name).suffix.lower() for name in stills).most_common(1)
    if count < len(stills):
        notes.append(f"{len(stills) - count} stills of another kind than {ending} are left out")
    chosen = sorted((name for name in stills if Path(name).suffix.lower() == ending), key=_natural)
    numbers = _numbers(chosen)
    if numbers is None:
        notes.append("the names are not one numbered series: natural order of the names is taken")
        return list(chosen), tuple(notes)
    steps = Counter(b - a for a, b in itertools.pairwise(numbers))
    step = max(steps, key=steps.__getitem__, default=1)
    places = [(number - numbers[0]) / step for number in numbers]
    rows = round(places[-1]) + 1
    missing = rows - len(chosen)
    if missing == 0:
        return list(chosen), tuple(notes)
    gaps = [(a, b) for a, b in itertools.pairwise(numbers) if b - a != step]
    words = "{} gaps in the numbers, the first between {} and {}".format(len(gaps), *gaps[0])
    if any(place != int(place) for place in places) or missing > len(chosen):
        notes.append(f"{words}: too uneven to be lost frames, so the stills are taken as consecutive")
        return list(chosen), tuple(notes)
    notes.append(f"{words}: {missing} missing stills count as undecodable frames, so that times stay right")
    ordered: list[str | None] = [None] * rows
    for place, name in zip(places, chosen, strict=True):
        ordered[int(place)] = name
    return ordered, tuple(notes)


def _natural(name: str) -> tuple[list[tuple[int, int | str]], str]:
    parts = _DIGITS.split(Path(name).stem)
    return [(0, int(part)) if part.isdigit() else (1, part) for part in parts], name


def _numbers(names: list[str]) -> list[int] | None:
    """The one number that counts up over the names; None where they are no such series."""
    split = [_DIGITS.split(Path(name).stem) for name in names]
    if len({len(parts) for parts in split}) != 1:
        return None
    # One column for each part of the names: words and numbers in turns.
    columns = list(zip(*split, strict=True))
    varying = [place for place, parts in enumerate(columns) if len({part.lstrip("0") for part in parts}) > 1]
    if not varying and len(names) == 1:
        return [0]
    if len(varying) != 1 or varying[0] % 2 == 0:
        return None
    numbers = [int(part) for part in columns[varying[0]]]
    return numbers if len(set(numbers)) == len(numbers) else None
