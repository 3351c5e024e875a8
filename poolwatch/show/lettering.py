"""Text in pictures, from the TrueType face that matplotlib ships, so that it looks the same everywhere."""

from __future__ import annotations

from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from .palette import BLACK, bgr

Anchor = tuple[float, float]
"""Which point of the text stands at the given place, as shares of its width and height: (0, 0) top left."""


@lru_cache(maxsize=1)
def _fonts() -> Path:
    """Folder of the faces; matplotlib is found and not imported, which takes longer than many an overlay."""
    found = find_spec("matplotlib")
    if found is None or found.origin is None:
        raise ModuleNotFoundError("matplotlib, whose fonts letter the pictures, is not installed")
    return Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"


@lru_cache(maxsize=32)
def _face(size: int, bold: bool) -> ImageFont.FreeTypeFont:
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(_fonts() / name), size)


@lru_cache(maxsize=4096)
def text_mask(text: str, size: int, bold: bool = False) -> NDArray[np.uint8]:
    """Coverage of one line of text, 0..255, shape (line height, text width); digits all have one width."""
    text = "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text)
    face = _face(size, bold)
    ascent, descent = face.getmetrics()
    image = Image.new("L", (max(1, int(np.ceil(face.getlength(text)))), ascent + descent))
    ImageDraw.Draw(image).text((0, 0), text, fill=255, font=face)
    mask = np.asarray(image, dtype=np.uint8).copy()
    mask.setflags(write=False)
    return mask


@lru_cache(maxsize=1024)
def _haloed(text: str, size: int, bold: bool, reach: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    mask = cv2.copyMakeBorder(
        np.array(text_mask(text, size, bold)), *(reach,) * 4, cv2.BORDER_CONSTANT, value=(0.0,)
    )
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)
    dark = cv2.dilate(mask, kernel)
    return mask[..., None].astype(np.float32) / 255, dark[..., None].astype(np.float32) / 255


@lru_cache(maxsize=64)
def _ramp(colour: str, ground: str) -> NDArray[np.uint8]:
    share = np.linspace(0, 1, 256)[:, None]
    return np.rint(share * bgr(colour) + (1 - share) * bgr(ground)).astype(np.uint8)


def width_of(text: str, size: int, bold: bool = False) -> int:
    """Width of a line of text, px."""
    return int(text_mask(text, size, bold).shape[1])


def fitted(text: str, size: int, room: int, bold: bool = False) -> str:
    """The text, shortened in its middle with an ellipsis if it is wider than `room` px."""
    if width_of(text, size, bold) <= room:
        return text
    kept = len(text) - 1
    while kept > 2 and width_of(text[: kept - kept // 2] + "…" + text[-(kept // 2) :], size, bold) > room:
        kept -= max(1, kept // 12)
    return text[: kept - kept // 2] + "…" + text[len(text) - kept // 2 :]


def _cut(image: NDArray[np.uint8], left: int, top: int, shape: tuple[int, ...]) -> tuple[slice, ...] | None:
    """Rows and columns of `image`, then of the stamp, where they overlap."""
    y0, x0 = max(top, 0), max(left, 0)
    y1, x1 = min(top + shape[0], image.shape[0]), min(left + shape[1], image.shape[1])
    if y1 <= y0 or x1 <= x0:
        return None
    return slice(y0, y1), slice(x0, x1), slice(y0 - top, y1 - top), slice(x0 - left, x1 - left)


def put_flat(
    image: NDArray[np.uint8],
    text: str,
    place: tuple[float, float],
    size: int,
    colour: str,
    ground: str,
    anchor: Anchor = (0, 0),
    bold: bool = False,
) -> None:
    """Write on plain ground of a known colour, in place."""
    mask = text_mask(text, size, bold)
    left, top = (round(place[i] - anchor[i] * mask.shape[1 - i]) for i in (0, 1))
    cut = _cut(image, left, top, mask.shape)
    if cut is not None:
        image[cut[0], cut[1]] = _ramp(colour, ground)[mask[cut[2], cut[3]]]


class Type(NamedTuple):
    """How a line on plain ground is set: height of the letters, px, colours of letters and ground, weight."""

    size: int
    colour: str
    ground: str
    bold: bool = False


@lru_cache(maxsize=2048)
def _tile(letter: str, type: Type) -> NDArray[np.uint8]:
    return _ramp(type.colour, type.ground)[text_mask(letter, type.size, type.bold)]


def number_width(text: str, size: int, bold: bool = False) -> int:
    """Width of a line that `put_number` writes, px."""
    return sum(text_mask(letter, size, bold).shape[1] for letter in text)


def put_number(
    image: NDArray[np.uint8],
    text: str,
    place: tuple[float, float],
    type: Type,
    anchor: Anchor = (0, 0),
    before: str | None = None,
) -> None:
    """Write like `put_flat`, letter by letter from memory: for text that changes with every frame.

    `before` is what stands there already, written in the same way: then only letters that differ are written.
    """
    if text == before:
        return
    tiles = [_tile(letter, type) for letter in text]
    width = sum(tile.shape[1] for tile in tiles)
    height = tiles[0].shape[0] if tiles else 0
    left, top = round(place[0] - anchor[0] * width), round(place[1] - anchor[1] * height)
    if left < 0 or top < 0 or top + height > image.shape[0] or left + width > image.shape[1]:
        put_flat(image, text, place, type.size, type.colour, type.ground, anchor, type.bold)
        return
    kept = [False] * len(tiles)
    if before is not None and len(before) == len(text):
        kept = [old == new for old, new in zip(before, text, strict=True)]
        changed = ((tile, old) for tile, old, same in zip(tiles, before, kept, strict=True) if not same)
        if any(tile.shape != _tile(old, type).shape for tile, old in changed):
            kept = [False] * len(tiles)
    for tile, same in zip(tiles, kept, strict=True):
        if not same:
            image[top : top + height, left : left + tile.shape[1]] = tile
        left += tile.shape[1]


def put_haloed(
    image: NDArray[np.uint8],
    text: str,
    place: tuple[float, float],
    size: int,
    colour: str,
    anchor: Anchor = (0, 0),
    bold: bool = False,
    reach: int = 2,
) -> None:
    """Write with a dark rim, legible on bright and on dark, in place."""
    mask, dark = _haloed(text, size, bold, reach)
    left, top = (round(place[i] - reach - anchor[i] * (mask.shape[1 - i] - 2 * reach)) for i in (0, 1))
    cut = _cut(image, left, top, mask.shape)
    if cut is None:
        return
    ink, rim = mask[cut[2], cut[3]], dark[cut[2], cut[3]]
    ground = image[cut[0], cut[1]].astype(np.float32)
    ground += (np.array(bgr(BLACK), np.float32) - ground) * rim
    ground += (np.array(bgr(colour), np.float32) - ground) * ink
    image[cut[0], cut[1]] = np.rint(ground).astype(np.uint8)
