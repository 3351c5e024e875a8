"""A scale bar with its words, on plain ground beside a picture: it covers nothing in it."""

from __future__ import annotations

import numpy as np

from .canvas import Box, FrameCanvas, Spot
from .lettering import width_of
from .palette import INK


def draw_bar(canvas: FrameCanvas, length: float, words: str, place: tuple[float, float]) -> float:
    """Draw a scale bar with its words behind it, on plain ground.

    Parameters
    ----------
    canvas
        Drawn on in place; its px are the picture's.
    length
        Length of the bar, px.
    words
        What it is as long as.
    place
        Left end and middle, px.

    Returns
    -------
    float
        Where the words end, px.
    """
    x, y = place
    end, cap = x + length, 4.0
    parts = [np.array([[x, y], [end, y]])] + [np.array([[e, y - cap], [e, y + cap]]) for e in (x, end)]
    canvas.strokes(parts, INK, pen=canvas.pen + 1, halo=False)
    canvas.reserve(Box(x - cap, y - cap, end + cap, y + cap + 1))
    behind = end + 0.5 * canvas.size
    canvas.label(words, [Spot(behind, y, (0, 0.5))], INK, size=0.9)
    return behind + width_of(words, round(0.9 * canvas.size))
