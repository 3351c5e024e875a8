"""Places and sizes in a picture as a person writes them on the command line."""

from __future__ import annotations

import math

import click


def numbers(text: str, count: int, form: str) -> tuple[float, ...]:
    """Turn text such as ``12.5,40`` into `count` finite numbers."""
    try:
        found = tuple(float(part) for part in text.split(","))
    except ValueError:
        found = ()
    if len(found) != count or not all(math.isfinite(number) for number in found):
        raise click.BadParameter(f"{text!r} is not {count} numbers as {form}")
    return found


def point(text: str) -> tuple[float, ...]:
    """Convert an image point X,Y."""
    return numbers(text, 2, "X,Y")


def size(text: str) -> tuple[int, int]:
    """Convert a picture's size WIDTH,HEIGHT."""
    width, height = numbers(text, 2, "WIDTH,HEIGHT")
    if width != int(width) or height != int(height) or min(width, height) < 1:
        raise click.BadParameter(f"{text!r} is not a size in whole px, at least 1,1")
    return int(width), int(height)


def rectangle(text: str) -> tuple[float, ...]:
    """Convert a region LEFT,TOP,RIGHT,BOTTOM to x, y, width and height; right and bottom are outside it."""
    left, top, right, bottom = numbers(text, 4, "LEFT,TOP,RIGHT,BOTTOM")
    if right <= left or bottom <= top:
        raise click.BadParameter(f"{text!r}: right must be above left, and bottom above top")
    return left, top, right - left, bottom - top


def corner(text: str) -> tuple[int, int]:
    """Convert a whole image point X,Y, which may are outside the picture."""
    x, y = numbers(text, 2, "X,Y")
    if x != int(x) or y != int(y):
        raise click.BadParameter(f"{text!r} is not two whole numbers as X,Y")
    return int(x), int(y)
