"""Colours that stay apart for the colour-blind, and what each stands for, in video, stills and report.

The set is that of Okabe and Ito, "Color Universal Design" (2008, jfly.uni-koeln.de/color). Nothing rests on
colour alone: each mark also has its own shape, dash or label.
"""

from __future__ import annotations

from functools import lru_cache

BLACK = "#000000"
ORANGE = "#e69f00"
SKY = "#56b4e9"
GREEN = "#009e73"
YELLOW = "#f0e442"
BLUE = "#0072b2"
VERMILLION = "#d55e00"
PURPLE = "#cc79a7"
GREY = "#9aa0a6"

# On dark ground (video) and on paper (stills, report): the same hues, dark enough for 3:1 on white.
POOL, POOL_ON_PAPER = SKY, BLUE
KEYHOLE, KEYHOLE_ON_PAPER = ORANGE, "#b87400"
PARTICLE, PARTICLE_ON_PAPER = GREEN, "#007d5b"
FLAG = "\N{BLACK FLAG}"
"""Before what is flagged, so that it shows without its colour, too."""
FLAGGED, FLAGGED_ON_PAPER = "#ff7f2a", "#b84a00"
PANEL, PANEL_LIT = "#15181c", "#22272e"
INK, INK_QUIET = "#f2f4f6", "#a9b1ba"
PAPER_INK, PAPER_QUIET, PAPER_LINE = "#1d232a", "#5a636e", "#d5dae0"

SERIES_ON_PAPER = (BLUE, "#b87400", "#007d5b", "#a8477f", "#6b6300", "#b84a00")


@lru_cache(maxsize=64)
def bgr(colour: str) -> tuple[int, int, int]:
    """A ``#rrggbb`` colour as OpenCV wants it."""
    value = int(colour.removeprefix("#"), 16)
    return value & 255, value >> 8 & 255, value >> 16
