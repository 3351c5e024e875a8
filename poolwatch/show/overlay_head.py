"""Head and foot of an overlay: which clip this is, how steady and how sure, and what is drawn."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..model import score_words
from ..model.flags import doubts
from ..model.rounding import known
from .lettering import Type, fitted, number_width, put_flat, put_number, width_of
from .palette import FLAG, FLAGGED, INK, INK_QUIET, PANEL
from .result import ClipResult
from .segments import Layer, Segment

ROWS = 4.9
"""Height of the head in heights of its text."""
_ALONG = 3.0
"""Up to how many degrees off travel counts as along a side of the picture."""
# What each layer draws, in the words of the caption.
_DRAWN: dict[Layer, str] = {
    "outline": "solid blue: outline",
    "extent": "bars: front and rear",
    "keyhole": "dashed orange: keyhole region",
    "axes": "rulers: from the beam",
    "particles": "green corners and trails: particles",
    "rejected": "grey crosses: not counted",
}


def title_words(result: ClipResult) -> str:
    """Beam shape and name of a clip."""
    shape = result.score_of("beam_shape")
    return f"{shape} · {result.name}" if isinstance(shape, str) and shape else result.name


def index_words(result: ClipResult, *, alone: bool = False) -> str:
    """The stability index of a clip; `alone` says that it was not scored together with others."""
    values = {
        f"stability_index{end}": result.score_of(f"stability_index{end}") for end in ("", "_low", "_high")
    }
    if not known(values["stability_index"]):
        return "no stability index"
    return f"stability index {score_words.index_words(values)}" + (", this clip alone" if alone else "")


def flag_words(result: ClipResult, size: int, room: float) -> str:
    """The clip's doubts in so many px: all of them, or how many there are; empty where there are none."""
    flags = doubts(result.flags)
    if not flags:
        return ""
    words = f"{FLAG} {', '.join(flags)}"
    if width_of(words, size) <= room:
        return words
    return (
        f"{FLAG} {len(flags)} flag{'s' * (len(flags) > 1)}"
        if len(flags) > 1
        else fitted(words, size, round(room))
    )


def status_words(result: ClipResult, frame: int) -> str:
    """Why a frame was not measured; empty where it was."""
    row = result.row(frame)
    status = "not in frames.csv" if row is None else str(result.status[row])
    return "" if status == "ok" else f"✕ {status.replace('_', ' ')}: not measured"


def drawn_words(result: ClipResult, layers: Sequence[Layer]) -> list[str]:
    """What an overlay draws, as it is drawn, a phrase a layer; what this clip does not have is left out."""
    missing: set[Layer] = set() if result.keyhole is not None else {"keyhole"}
    missing |= set() if result.spatter_sought else {"particles"}
    phrases = dict(_DRAWN)
    if abs((result.axes.direction_deg + 45) % 90 - 45) > _ALONG:
        phrases["axes"] = "rulers: from the beam, along the picture's sides"
    return [words for layer, words in phrases.items() if layer in layers and layer not in missing]


def draw_head(image: NDArray[np.uint8], result: ClipResult, size: int) -> None:
    """Draw what stays the same: name, index and flags of the clip."""
    width, margin = image.shape[1], 0.6 * size
    room = width - width_of("t = 0000.000 ms", round(1.3 * size), True) - round(4 * margin)
    name = fitted(title_words(result), round(1.1 * size), room, True)
    put_flat(image, name, (margin, 0.35 * size), round(1.1 * size), INK, PANEL, bold=True)
    small = round(0.95 * size)
    index = index_words(result, alone=True)
    put_flat(image, index, (margin, 1.85 * size), small, INK, PANEL)
    behind = margin + width_of(index, small) + 2 * margin
    flags = flag_words(result, small, width - behind - margin)
    if flags:
        put_flat(image, flags, (behind, 1.85 * size), small, FLAGGED, PANEL, bold=False)


def foot_lines(phrases: Sequence[str], width: int, size: int) -> list[str]:
    """Phrases in as many lines as they need on a picture of a width, px."""
    small, room = round(0.8 * size), round(width - 1.2 * size)
    lines: list[str] = []
    for phrase in phrases:
        longer = f"{lines[-1]}; {phrase}" if lines else phrase
        if lines and width_of(longer, small) <= room:
            lines[-1] = longer
        else:
            lines.append(fitted(phrase, small, room))
    return lines


def draw_foot(image: NDArray[np.uint8], lines: Sequence[str], top: float, size: int) -> None:
    """Write lines on the panel under the pictures."""
    for number, words in enumerate(lines):
        place = (0.6 * size, top + 1.2 * size * number)
        put_flat(image, words, place, round(0.8 * size), INK_QUIET, PANEL)


def draw_moment(
    image: NDArray[np.uint8],
    result: ClipResult,
    number: int,
    segment: Segment | None,
    size: int,
    before: int | None,
) -> None:
    """Draw time, number and slow motion of a frame; `before` is the frame whose words are there already."""
    margin = 0.6 * size
    right = image.shape[1] - margin
    stood = None if before is None else _time(result, before)
    big = Type(round(1.3 * size), INK, PANEL, bold=True)
    put_number(image, _time(result, number), (right, 0.25 * size), big, (1, 0), stood)
    words = _place_words(number, segment)
    stood = None if before is None else _place_words(before, segment)
    top = 3.3 * size
    put_number(image, words, (right, top), Type(size, INK_QUIET, PANEL), (1, 0), stood)
    if segment is not None and before is None:
        longest = _place_words(int(result.numbers[-1]), segment)
        room = image.shape[1] - number_width(longest, size) - round(4 * margin)
        caption = fitted_caption(segment.caption, size, room)
        put_number(image, caption, (margin, top), Type(size, INK_QUIET, PANEL))


def _time(result: ClipResult, number: int) -> str:
    return f"  t = {1e3 * number / result.record_rate_hz:.3f} ms"


def fitted_caption(caption: str, size: int, room: int) -> str:
    """An excerpt's caption, without where it starts where that is too long: what it shows matters more."""
    if width_of(caption, size) > room:
        caption = re.sub(r", from [^:]*: ", ": ", caption)
    return fitted(caption, size, room)


def _place_words(number: int, segment: Segment | None) -> str:
    slow = "" if segment is None else f"slowed {segment.slow_motion:.3g}×   "
    return f"   {slow}frame {number}"
