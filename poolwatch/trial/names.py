"""Names: result folders, safe on every system and never the same twice; beam shapes that may be one mistyped."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections import Counter
from collections.abc import Sequence
from itertools import combinations
from pathlib import PurePosixPath

# Device names that Windows keeps for itself, whatever stands behind a dot; what a trial's folder holds beside the
# clips' folders.
_DEVICES = frozenset(
    (
        "con",
        "prn",
        "aux",
        "nul",
        "conin$",
        "conout$",
        *(f"{port}{n}" for port in ("com", "lpt") for n in range(10)),
    )
)
_RESERVED = frozenset(("scores", "ranking", "report", "excluded", "pairs"))


def folder_names(clips: Sequence[str]) -> list[str]:
    """A folder name for each clip: its file name without ending, made safe.

    Clips of the same name in different folders get the name and six digits of a fingerprint of their path
    each, so that the order of the manifest does not matter.

    Parameters
    ----------
    clips
        Paths as the manifest gives them, each once.

    Examples
    --------
    >>> folder_names(["monday/w1.avi", "../crescent 3.cine.mp4", ".."])
    ['w1', 'crescent 3.cine', 'clip-5ec1f7']
    """
    stems = [safe_name(clip) for clip in clips]
    count = Counter(_key(stem) for stem in stems)
    names = []
    for clip, stem in zip(clips, stems, strict=True):
        digest = hashlib.sha256(clip.encode()).hexdigest()
        doubtful = count[_key(stem)] > 1 or _key(stem).split(".")[0] in _RESERVED or stem == "clip"
        name = f"{stem}-{digest[:6]}" if doubtful else stem
        if doubtful and count[_key(name)]:
            name = f"{stem}-{digest}"
        names.append(name)
    return names


def safe_name(clip: str, *, folder: bool = False) -> str:
    """Name of a clip's folder, good on every system: its file name without ending.

    Parameters
    ----------
    clip
        Its path, with the separators of any system.
    folder
        Whether it is a folder of stills, whose name has no ending.

    Examples
    --------
    >>> [safe_name(clip) for clip in ("day 1/w1.avi", "aux.avi", "con.2.avi", "run. .avi", "a:b.avi")]
    ['w1', 'aux_', 'con_.2', 'run', 'a_b']
    """
    name = unicodedata.normalize("NFC", PurePosixPath(clip.replace("\\", "/")).name)
    stem = name if folder or name.rfind(".") <= 0 else name[: name.rfind(".")]
    stem = re.sub(r'[<>:"/\\|?*\x00-\x1f\x7f]', "_", stem).strip(" .")
    first, dot, rest = stem.partition(".")
    if _key(first.rstrip(" ")) in _DEVICES:
        stem = f"{first.rstrip(' ')}_{dot}{rest}"
    # File systems allow 255 bytes a name; some are kept for the digits.
    return stem.encode()[:150].decode(errors="ignore").rstrip(" .") or "clip"


def slips_of_the_pen(shapes: Sequence[str]) -> list[str]:
    """Pairs of beam shapes that differ by one letter of one longer word, each in a sentence.

    Numbers and single letters tell shapes apart on purpose (ring-30, ring-b); `flat-topp` hardly does. They are two
    shapes all the same: who typed them must say.

    Examples
    --------
    >>> slips_of_the_pen(["flat-top", "flat-topp", "ring-30", "ring-40"])
    ['beam_shape: flat-top and flat-topp differ by one letter; if they are one shape, write it one way']
    """
    return [
        f"beam_shape: {a} and {b} differ by one letter; if they are one shape, write it one way"
        for a, b in combinations(shapes, 2)
        if _one_letter_off(a, b)
    ]


def _one_letter_off(a: str, b: str) -> bool:
    first, second = (re.split(r"[^a-z]+", name.casefold()) for name in (a, b))
    if len(first) != len(second) or re.sub(r"\D", "", a) != re.sub(r"\D", "", b):
        return False
    unlike = [(x, y) for x, y in zip(first, second, strict=True) if x != y]
    if len(unlike) != 1:
        return False
    ((x, y),) = unlike
    short, long = sorted((x, y), key=len)
    if len(long) < 4:
        return False
    if len(short) < len(long):
        return any(long[:k] + long[k + 1 :] == short for k in range(len(long)))
    places = [k for k in range(len(long)) if short[k] != long[k]]
    swapped = len(places) == 2 and places == [min(places), min(places) + 1] and sorted(short) == sorted(long)
    return len(places) == 1 or swapped


def _key(name: str) -> str:
    """What two names must differ in to be two folders on every file system."""
    return unicodedata.normalize("NFKC", name).casefold()
