"""What is known of illuminated footage once it has been looked at; without the kernels that only such footage needs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from ..keyhole import Keyhole
    from .evidence import Evidence, MetalLight
    from .metal import Box
    from .region import Pieces
    from .usual import Usual


@dataclass(frozen=True)
class IlluminatedLook:
    """What the first look learned; all that a frame and its window need to be measured alone.

    Attributes
    ----------
    metal_px
        Motion of the solid metal in the image, px per frame (x right, y down).
    metal_u_px
        Its standard uncertainty, px per frame.
    metal_share
        Share of the compared metal that follows the motion.
    standing
        Whether the metal stands still in the picture.
    moves
        Whether the pool's place wanders by more than a quarter of its size.
    lags
        Distances of the frames compared, frames, each way.
    noise
        Variance of the difference of two frames at brightness 0, and its increase per grey value.
    veil
        Whether soft light comes and goes over the metal (plume).
    lighting
        Brightness of the metal.
    level
        Brightness of the metal around the pool against `lighting`.
    usual
        Where the pool usually is, and what it looks like.
    evidence
        What liquid and solid look like.
    outline
        Typical outline, shape (k, 2), px.
    area_px, size_px
        Median area of the outline, and its square root.
    x, y
        Median place of the outline's middle, px.
    neck
        Width of the widest neck by which something may hang on the pool without belonging to it, px.
    pointed
        Where the pool is usually, or would be if it were longer or shorter, narrower than such a neck: see
        `region.pointed_of`.
    tips
        Outward unit vectors where the typical outline is more pointed than a bump of that width, shape (m, 2).
    box
        Rows and columns (r0, r1, c0, c1) that hold the pool in every window, with a margin.
    clipped
        Usual share of the box's pixels at full scale.
    keyhole, keyhole_dark
        The keyhole region; whether it is darker than the pool.
    full_scale
        Grey value of brightness 1.
    """

    metal_px: tuple[float, float]
    metal_u_px: tuple[float, float]
    metal_share: float
    standing: bool
    moves: bool
    lags: tuple[int, ...]
    noise: tuple[float, float]
    veil: bool
    lighting: MetalLight
    level: float
    usual: Usual
    evidence: Evidence
    outline: NDArray[np.float64]
    area_px: float
    size_px: float
    x: float
    y: float
    neck: int
    pointed: Pieces
    tips: NDArray[np.float64]
    box: Box
    clipped: float
    keyhole: Keyhole
    keyhole_dark: bool
    full_scale: float

    @property
    def blind_px(self) -> tuple[float, float]:
        """How far from the picture's left or right, and upper or lower, border an outline must keep to be seen, px.

        Metal that has just come into view, or is about to leave it, is solid in the frames that no longer or not yet
        show it: within the distance that it moves in as many frames as must agree, and half a window and a pixel for
        reading between pixels, solid metal cannot be told from liquid.
        """
        from .comparing import WINDOW
        from .residual import AGREEING

        lag = self.lags[max(round(AGREEING * 2 * len(self.lags)), 1) - 1]
        lost = [abs(v) * lag for v in self.metal_px]
        across, down = (0.75 + far + min(far, 1.0) * (WINDOW // 2 + 1) for far in lost)
        return across, down

    @property
    def before(self) -> int:
        """Frames needed before a frame to measure it."""
        return max(self.lags)

    @property
    def after(self) -> int:
        """Frames needed after a frame to measure it."""
        return max(self.lags)
