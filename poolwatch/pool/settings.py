"""Settings of the outline and of the keyhole region."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from ..model.settings import Settings


class PoolSettings(Settings):
    """How the outline and the keyhole region are found.

    Attributes
    ----------
    footage
        ``auto`` lets the first look decide; ``glowing`` or ``illuminated`` overrules it.
    level_fraction
        Level of the coarse outline between surroundings (0) and pool (1); None lets the first look choose
        the level whose outline runs along the steepest edges.
    vertices
        Vertices of the outline.
    search_px
        How far from the coarse outline the steepest step is looked for, px; None: 4 % of the pool's size,
        at least 4 px.
    edge_sigma_px
        Blur of the edge (point spread, pixel and defocus), px; None: found from the clip.
    smallest_area_px
        Smallest area that counts as a pool, px².
    smallest_step
        Smallest step of brightness at the pool's edge, fraction of full scale.
    hidden_share
        A frame is ``hidden`` when more than this share of its outline shows no clear step.
    keyhole_radius_px
        Radius of the keyhole region, px; None: found from the clip's mean picture.
    agitation_lag_s
        Time over which the change of brightness inside the pool is taken, s.
    """

    footage: Literal["auto", "glowing", "illuminated"] = "auto"
    level_fraction: float | None = Field(default=None, gt=0.05, lt=0.98, examples=[0.5])
    vertices: int = Field(default=192, ge=48, le=1024)
    search_px: float | None = Field(default=None, ge=2, le=60, examples=[8.0])
    edge_sigma_px: float | None = Field(default=None, ge=0.3, le=20, examples=[1.2])
    smallest_area_px: float = Field(default=80.0, ge=20)
    smallest_step: float = Field(default=0.02, gt=0, lt=1)
    hidden_share: float = Field(default=0.2, gt=0, le=1)
    keyhole_radius_px: float | None = Field(default=None, ge=1, examples=[6.0])
    agitation_lag_s: float = Field(default=5e-4, gt=0)
