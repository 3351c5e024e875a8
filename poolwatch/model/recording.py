"""What the person says about a recording: the same names on the command line, in settings and in a manifest."""

from __future__ import annotations

from typing import Any

from pydantic import Field, PositiveInt, ValidationInfo, field_validator

from .axes import PoolAxes, Scale, Stretch
from .settings import Settings

# A determinant off by more than this gives areas that are: room for a matrix written to four digits.
_UNIT_AREA = 1e-3
# No picture of a weld pool has larger pixels, mm; 1 stands where lengths are to stay in pixels.
_LARGEST_MM_PER_PX = 1.0
# A shutter open all the time may be a rounded figure longer than the time between frames.
_OPEN_SHUTTER = 1.001


class Recording(Settings):
    """Facts about a recording that its file cannot tell.

    Attributes
    ----------
    record_rate_hz
        Rate at which the camera took the frames, Hz.
    mm_per_px, mm_per_px_u
        Size of a pixel and its standard uncertainty, mm; None where not known.
    scale_source
        How `mm_per_px` came about.
    stretch
        How a tilted view is set upright, from a scale file (see `poolwatch.model.axes.Scale`); None: looked at
        squarely.
    scale_picture_px, scale_place_px
        Width and height of the pictures that the scale was made with, and where in them a tilted view was set upright;
        None where not known.
    scale_crop_px
        Where the top left pixel of the clip's pictures is in those, (x, y) px, where the camera was made to cut out a
        part; None: not said.
    travel_direction_deg
        Travel direction in the image, degrees counter-clockwise as seen, 0 = right.
    travel_speed_mm_s
        Welding speed, mm/s.
    exposure_s
        Exposure of a frame, s.
    material
        Key of a material.
    beam_shape, replicate
        Passed through to the score row.
    """

    record_rate_hz: float = Field(gt=0, le=1e8, examples=[10_000])
    mm_per_px: float | None = Field(default=None, gt=0, examples=[0.02])
    mm_per_px_u: float = Field(default=0.0, ge=0, examples=[1e-4])
    scale_source: str = "given"
    stretch: Stretch | None = None
    scale_picture_px: tuple[PositiveInt, PositiveInt] | None = None
    scale_place_px: tuple[float, float] | None = None
    scale_crop_px: tuple[int, int] | None = None
    travel_direction_deg: float = Field(default=0.0, ge=-360, le=360, examples=[0])
    travel_speed_mm_s: float | None = Field(default=None, gt=0, le=1e5, examples=[100])
    exposure_s: float | None = Field(default=None, gt=0, examples=[4e-5])
    material: str | None = Field(default=None, examples=["austenitic-stainless"])
    beam_shape: str = ""
    replicate: str = ""

    @field_validator("stretch")
    @classmethod
    def _keeps_areas(cls, value: Stretch | None) -> Stretch | None:
        if value is None:
            return value
        a, b, c, d = value
        if abs(a * d - b * c - 1) > _UNIT_AREA:
            raise ValueError(
                "must be the rows of a matrix of determinant 1, neither mirrored nor of another size"
            )
        return value

    @field_validator("mm_per_px")
    @classmethod
    def _is_in_mm(cls, value: float | None) -> float | None:
        if value is not None and value > _LARGEST_MM_PER_PX:
            raise ValueError("is in millimetres, at most 1; a pixel of 20 µm is 0.02")
        return value

    @field_validator("exposure_s")
    @classmethod
    def _fits_between_frames(cls, value: float | None, info: ValidationInfo) -> float | None:
        rate = info.data.get("record_rate_hz")
        if value is not None and rate is not None and value * rate > _OPEN_SHUTTER:
            raise ValueError(
                f"is in seconds, and longer than the time between frames at {rate:g} Hz ({1 / rate:.3g} s); 20 µs is "
                "2e-5"
            )
        return value

    def scale(self) -> Scale:
        """Millimetres per pixel; 1 where none is known, so that mm read as px."""
        if self.mm_per_px is None:
            return Scale(1.0, 0.0, "none given: 1 px written as 1 mm")
        return Scale(
            self.mm_per_px,
            self.mm_per_px_u,
            self.scale_source,
            self.stretch,
            self.scale_picture_px,
            self.scale_place_px,
        )

    def axes(self, origin_x: float = 0.0, origin_y: float = 0.0) -> PoolAxes:
        """Pool axes with their origin at a place in the image, px."""
        return PoolAxes(origin_x, origin_y, self.travel_direction_deg, self.scale().mm_per_px, self.stretch)


def scale_facts(scale: Scale) -> dict[str, Any]:
    """What a `Recording` holds of a scale, by name; the other way round is `Recording.scale`."""
    return {
        "mm_per_px": scale.mm_per_px,
        "mm_per_px_u": scale.u_mm_per_px,
        "scale_source": scale.source,
        "stretch": scale.stretch,
        "scale_picture_px": scale.picture_px,
        "scale_place_px": scale.place_px,
    }
