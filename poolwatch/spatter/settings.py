"""What changes the particles that are found."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from ..model.settings import Settings


class SpatterSettings(Settings):
    """Settings of the spatter step; lengths in px of the image, times in frames.

    Attributes
    ----------
    polarity
        ``bright``: particles glow on a darker ground. ``dark``: shadows on a bright ground.
    background
        ``learned``: median over a sample of the clip. ``even``: one level for the whole picture, for large
        objects that hardly move from the place they hide.
    detection_level
        A sighting needs this many standard deviations of the smoothed picture.
    psf_sigma_px
        Standard deviation of the lens's point spread (pixel not included); None: found from the clip.
    max_diameter_px
        Larger bright things are not particles.
    max_step_px
        Longest way from one frame to the next.
    min_speed_px
        Slower things (px a frame) do not fly.
    min_sightings
        A particle was seen at least this often.
    max_gap
        Frames that a track may go unseen in one piece.
    pool_margin_px
        Width of the rim around the outline that is not searched, beyond the point spread.
    """

    polarity: Literal["bright", "dark"] = "bright"
    background: Literal["learned", "even"] = "learned"
    detection_level: float = Field(default=5.0, ge=3, le=50)
    psf_sigma_px: float | None = Field(default=None, gt=0.1, le=20, examples=[0.9])
    max_diameter_px: float = Field(default=40.0, ge=3, le=1000)
    max_step_px: float = Field(default=65.0, gt=1, le=1000)
    min_speed_px: float = Field(default=0.5, ge=0)
    min_sightings: int = Field(default=3, ge=3)
    max_gap: int = Field(default=3, ge=0, le=20)
    pool_margin_px: float = Field(default=2.0, ge=0, le=50)
