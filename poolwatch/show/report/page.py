"""The page: template environment, and pictures inside it."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any
from urllib.parse import quote

import cv2
import jinja2
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image

from ...model.flags import FLAGS, STATUSES
from ...model.terms import TERMS
from ..pages import data_url, template_environment, template_file
from ..stills.style import figure_pixels

_PACKAGE = "poolwatch.show.report"
_SHOWN_DPI = 110.0
_GREYS = 96
CAUTIONS = (
    "Welding lasers are class 4: beam and reflections blind and burn. Work only in an interlocked enclosure, "
    "under your laser safety officer.",
    "Lamps and illumination lasers have a class, an enclosure and eyewear of their own. A camera's filter protects "
    "no eye.",
    "Lock out the lasers before you change the set-up: camera, lamp, target.",
    "Fume: extract it at the source. Fume of stainless steel holds hexavalent chromium (Cr(VI)) and nickel.",
    "Spatter is hot: wear protection, and keep away whatever can burn.",
    "A steady pool is no proof of a sound weld. Strength, cracks, pores and penetration are found by testing, "
    "not by this video.",
    "Whether a weld may carry load is decided by the codes that hold where you are and by people licensed for it.",
)


@lru_cache(maxsize=1)
def environment() -> jinja2.Environment:
    """Templates with everything escaped that is not explicitly markup."""
    made = template_environment(_PACKAGE)
    made.filters["pretty"] = pretty
    made.filters["url"] = relative_url
    made.globals.update(flag_words=FLAGS, status_words=STATUSES, cautions=CAUTIONS, terms=TERMS)
    made.globals.update(style=template_file(_PACKAGE, "page.css"), script=template_file(_PACKAGE, "page.js"))
    return made


def render(template: str, values: Mapping[str, Any]) -> str:
    """Fill a template; every text in `values` is escaped."""
    return environment().get_template(template).render(**values)


@dataclass(frozen=True)
class Picture:
    """A picture inside the page: its address for an ``img``, and the size at which it is shown, px.

    `narrow` is the same for narrow screens, where there is such a one.
    """

    address: str
    width: int
    height: int
    narrow: Picture | None = None


def picture(figure: Figure, *, dpi: float = 110.0, narrow: Figure | None = None) -> Picture:
    """A figure as a small PNG inside the page, shown at 110 dots an inch; `narrow` in its place on a phone."""
    pixels = figure_pixels(figure, dpi=dpi)
    palette = _palette(pixels)
    # Drawings need few colours; a palette makes the page several times lighter.
    looked_up = Image.fromarray(pixels).quantize(palette=palette, dither=Image.Dither.NONE)
    # Pillow looks colours up on a coarse grid, which takes white for the grey beside it.
    places = np.where(pixels.min(axis=2) == 255, np.uint8(_GREYS - 1), np.asarray(looked_up))
    small = Image.frombytes("P", looked_up.size, places.astype(np.uint8).tobytes())
    small.putpalette(palette.getpalette() or [])
    out = io.BytesIO()
    small.save(out, "PNG", compress_level=7)
    width, height = (round(side * _SHOWN_DPI / dpi) for side in small.size)
    on_phone = None if narrow is None else picture(narrow, dpi=dpi)
    return Picture(data_url(out.getvalue(), "png"), width, height, on_phone)


def _palette(pixels: NDArray[np.uint8]) -> Image.Image:
    """96 greys and 160 colours, chosen apart: else thin coloured lines are given up for one more grey."""
    flat = pixels.reshape(-1, 3)
    coloured = flat[flat.max(axis=1) - flat.min(axis=1) > 12]
    colours: list[int] = []
    if len(coloured):
        chosen = Image.fromarray(coloured[None]).quantize(160, method=Image.Quantize.MEDIANCUT)
        colours = list(chosen.getpalette() or [])[: 3 * 160]
    greys = np.repeat(np.rint(np.linspace(0, 255, _GREYS)).astype(int), 3).tolist()
    palette = Image.new("P", (1, 1))
    palette.putpalette(greys + colours)
    return palette


def photograph(image: NDArray[np.uint8], width: int = 720) -> Picture:
    """A painted frame (height, width, 3), BGR, as a small JPEG inside the page."""
    height = round(image.shape[0] * width / image.shape[1])
    small = cv2.resize(image, (width, height), interpolation=cv2.INTER_AREA)
    data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 82])[1]
    return Picture(data_url(data.tobytes(), "jpeg"), width, height)


def drawing(image: NDArray[np.uint8]) -> Picture:
    """A small drawn picture (height, width, 3), BGR, as a PNG inside the page."""
    data = cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, 9])[1]
    return Picture(data_url(data.tobytes(), "png"), image.shape[1], image.shape[0])


def relative_url(path: str) -> str:
    """A path relative to the page as an address: nothing in it can be a scheme, a query or markup."""
    return "./" + quote(path.removeprefix("./"), safe="/") if path else ""


def pretty(value: Any) -> str:
    """Settings and the like as indented text."""
    return json.dumps(value, indent=2, ensure_ascii=False, default=str)
