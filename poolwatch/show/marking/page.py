"""One page that opens from disk: frames to be marked by hand, with nothing measured in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import jinja2
import numpy as np
from numpy.typing import NDArray

from ...model.axes import PoolAxes
from ...model.files import write_text
from ..pages import data_url, template_environment, template_file
from ..tone import ToneCurve, toned

_PACKAGE = "poolwatch.show.marking"
_EDGE_WORDS = {
    "glowing": (
        "The edge is where brightness falls off most steeply at the rim of the bright pool.",
        "Glow around it, plume and the hot bead behind it are no part of the pool.",
    ),
    "illuminated": (
        "The edge is where liquid meets solid metal. The liquid moves within itself, the metal moves as one sheet or "
        "not at all: look at the pictures before and after.",
        "The frozen bead behind the pool is no part of it.",
    ),
}
_NEIGHBOUR_QUALITY = 92


@dataclass(frozen=True)
class MarkedFrame:
    """A frame to be marked.

    Attributes
    ----------
    frame
        Its number.
    pictures
        The frame (0) and those around it (-1 before, 1 after …), native depth, shape (height, width).
    """

    frame: int
    pictures: Mapping[int, NDArray[Any]]


@dataclass(frozen=True)
class MarkingSheet:
    """What a page for marking holds: pictures and where travel goes, nothing that was measured in them.

    Attributes
    ----------
    clip
        Name of the clip.
    clip_id, settings_id, seed, drawn
        Written into each row of the marks.
    axes
        Pool axes; only their directions are used.
    tone
        Tone curve, that of the overlay.
    footage
        ``glowing`` or ``illuminated``: what the edge of the pool looks like.
    frames
        Frames to be marked, in order of time.
    run
        Frames in a row for particles, as (number, picture); empty for none.
    """

    clip: str
    clip_id: str
    settings_id: str
    seed: int
    drawn: str
    axes: PoolAxes
    tone: ToneCurve
    footage: str
    frames: Sequence[MarkedFrame]
    run: Sequence[tuple[int, NDArray[Any]]]


def write_marking_page(path: str | Path, sheet: MarkingSheet) -> None:
    """Write the page.

    Raises
    ------
    OutputError
        The page cannot be written.
    """
    height, width = sheet.frames[0].pictures[0].shape
    data = {
        "clip": sheet.clip,
        "clip_id": sheet.clip_id,
        "settings_id": sheet.settings_id,
        "seed": sheet.seed,
        "drawn": sheet.drawn,
        "width": width,
        "height": height,
        # Where the overlay raises faint parts, its edge is seen too far out: lines are placed in linear tone.
        "linear": sheet.tone.linear().tolist() if np.isfinite(sheet.tone.knee) else None,
        "axes": np.round(sheet.axes.matrix, 9).tolist(),
        "forward": np.round(_forward(sheet.axes), 6).tolist(),
        "frames": [
            {
                "frame": one.frame,
                "pictures": {
                    str(offset): _address(picture, sheet.tone, lossy=offset != 0)
                    for offset, picture in sorted(one.pictures.items())
                },
            }
            for one in sheet.frames
        ],
        "run": [{"frame": number, "picture": _address(picture, sheet.tone)} for number, picture in sheet.run],
    }
    words = {
        "clip": sheet.clip,
        "seed": sheet.seed,
        "count": len(sheet.frames),
        "edge_words": _EDGE_WORDS[sheet.footage],
        "run": data["run"],
        "raises": data["linear"] is not None,
    }
    text = _environment().get_template("marking.html.j2").render(sheet=words, data=data)
    write_text(path, text)


def _forward(axes: PoolAxes) -> NDArray[np.float64]:
    """Where travel goes in the picture, unit vector."""
    forward = np.asarray(axes.image_vector([1.0, 0.0]))
    return np.asarray(forward / np.hypot(*forward))


def _address(picture: NDArray[Any], tone: ToneCurve, *, lossy: bool = False) -> str:
    grey = toned(picture, tone.table(picture.dtype))
    kind = "jpeg" if lossy else "png"
    options = [cv2.IMWRITE_JPEG_QUALITY, _NEIGHBOUR_QUALITY] if lossy else [cv2.IMWRITE_PNG_COMPRESSION, 9]
    return data_url(cv2.imencode(f".{kind}", grey, options)[1].tobytes(), kind)


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    made = template_environment(_PACKAGE)
    for name, file in (("style", "marking.css"), ("tools", "tools.js"), ("script", "marking.js")):
        made.globals[name] = template_file(_PACKAGE, file)
    return made
