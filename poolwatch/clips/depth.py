"""The effective depth of values kept in 16 bits.

The rule, on frames sampled across the clip (documented; the outcome is stated in the facts' notes):

1. A depth that the person gives holds. Next comes one that the file states.
2. Values that are all multiples of 2^k (k = 2, 4, 6, 8; at least 8 different values above 0) are left-aligned
   values of 16 − k bits; full scale is (2^(16−k) − 1) · 2^k.
3. Otherwise values are right-aligned: the smallest of 8, 10, 12, 14 and 16 bits that holds the largest value.
   This is certain only when pixels pile up at that depth's largest value. Without such a pile-up a dark
   recording of more bits looks the same: the note says so and how to give the depth.

A later value above the full scale so found refutes it; reading stops there with an error that says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.errors import ClipError
from .settings import ClipSettings

_DEPTHS = (8, 10, 12, 14, 16)
SAMPLE_FRAMES = 12


@dataclass(frozen=True)
class Depth:
    """Effective depth, and how it is known.

    Attributes
    ----------
    bits
        Bits of a grey value.
    full_scale
        Grey value that is brightness 1.0.
    found
        Whether it was found in the data.
    notes
        The same in words.
    """

    bits: int
    full_scale: float
    found: bool = False
    notes: tuple[str, ...] = ()

    @property
    def flags(self) -> tuple[str, ...]:
        """Clip flags that follow."""
        return ("depth_found",) if self.found else ()


def effective_depth(
    path: Path, sample: NDArray[Any], settings: ClipSettings, *, stated_bits: int | None = None
) -> Depth:
    """Find the effective depth by the rule at the head of this file.

    Parameters
    ----------
    path
        For messages.
    sample
        Frames from across the clip, shape (n, height, width), uint8 or uint16.
    settings
        What the person gave.
    stated_bits
        What the file states, where it states anything.

    Raises
    ------
    ClipError
        Values in the sample do not fit the depth that was given or stated.
    """
    width = 8 * sample.dtype.itemsize
    top = int(sample.max()) if sample.size else 0
    given = settings.depth_bits if settings.depth_bits is not None else stated_bits
    if given is not None and given > width:
        raise ClipError(f"{path}: holds {width}-bit values, not {given}; leave depth_bits out or correct it")
    shift = _shift(sample) if width == 16 else 0
    if given is not None:
        depth = _with_bits(path, given, top, shift, settings.depth_bits is not None)
    elif width == 8:
        depth = Depth(8, 255.0)
    else:
        depth = _found(sample, top, shift)
    if settings.full_scale is not None:
        if top > settings.full_scale:
            raise ClipError(
                f"{path}: holds values up to {top}, above full_scale {settings.full_scale:g}; correct it"
            )
        depth = Depth(
            depth.bits, settings.full_scale, notes=(f"full scale {settings.full_scale:g} as given",)
        )
    return depth


def _with_bits(path: Path, bits: int, top: int, shift: int, by_person: bool) -> Depth:
    who = "as given" if by_person else "as the file states"
    full = (1 << bits) - 1
    if top <= full:
        return Depth(bits, float(full), notes=(f"{bits} bits {who}",))
    if shift >= 16 - bits > 0:
        aligned = float(full << (16 - bits))
        return Depth(bits, aligned, notes=(f"{bits} bits {who}, left-aligned in 16: full scale {aligned:g}",))
    raise ClipError(
        f"{path}: holds values up to {top}, which {bits} bits {who} cannot be; correct depth_bits"
    )


def _shift(sample: NDArray[Any]) -> int:
    """How many low bits are zero in every value; 0 where too few different values are there to tell."""
    union = int(np.bitwise_or.reduce(sample, axis=None)) if sample.size else 0
    if union == 0:
        return 0
    zeros = (union & -union).bit_length() - 1
    if zeros and np.count_nonzero(np.bincount(sample.ravel() >> zeros, minlength=2)[1:]) < 8:
        return 0
    return zeros


def _found(sample: NDArray[Any], top: int, shift: int) -> Depth:
    if shift >= 2:
        low = shift - shift % 2 if shift < 8 else 8
        bits = 16 - low
        full = float(((1 << bits) - 1) << low)
        return Depth(
            bits,
            full,
            found=True,
            notes=(
                f"all values are multiples of {1 << low}: {bits} bits, left-aligned; full scale {full:g}",
            ),
        )
    bits = next(depth for depth in _DEPTHS if top < 1 << depth)
    full = float((1 << bits) - 1)
    if bits == 16:
        return Depth(16, full, notes=("16 bits: values above 16383 are there",))
    piled = int(np.count_nonzero(sample == int(full)))
    if piled >= 4:
        why = f"values pile up at {full:g}: {bits} bits"
    else:
        why = (
            f"no value above {top}: taken as {bits} bits; a darker recording of more bits would look the same, "
            "so give depth_bits if it is one"
        )
    return Depth(bits, full, found=True, notes=(why,))
