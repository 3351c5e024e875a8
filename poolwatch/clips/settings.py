"""What a person says about the values in a recording."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from ..model.settings import Settings


class ClipSettings(Settings):
    """What a person says about the values in a recording; nothing said means found in the file.

    Attributes
    ----------
    depth_bits
        Effective bits of a grey value, where the file does not say, or says wrongly.
    full_scale
        Grey value that is brightness 1.0; by default that of `depth_bits`, aligned as the data are.
    video_range
        ``limited`` where black is 16 and white 235 (of 255), ``full`` where black is 0 and white 255, ``auto``
        to go by the stream's tags and its pixel format.
    dataset
        Path of the data set in an HDF5 file, where there is more than one of three axes.
    max_pixels
        Refuse larger frames before any memory is taken, pixels.
    """

    depth_bits: int | None = Field(default=None, ge=1, le=16, examples=[12])
    full_scale: float | None = Field(default=None, gt=0, le=65535, examples=[4095.0])
    video_range: Literal["auto", "limited", "full"] = "auto"
    dataset: str | None = Field(default=None, examples=["measurement/frames"])
    max_pixels: int = Field(default=100_000_000, ge=1)
