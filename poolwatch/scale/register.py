"""Registration on solid metal: camera shake and slow drift, frame by frame, against one reference."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.errors import MeasurementError, UsageError
from .texture import texture
from .tiles import Template


@dataclass(frozen=True)
class Registration:
    """Shift of each frame's solid metal against the reference.

    Attributes
    ----------
    shifts
        Shape (n, 2), (dx, dy) px: what is at (x, y) in the reference is at (x + dx, y + dy) in the frame.
        NaN where the metal was not found again (dark, blown or hidden frame).
    u
        Shape (n, 2), standard uncertainties, px.
    consistency
        Shape (n,): share of the tiles that follow the shift.
    """

    shifts: NDArray[np.float64]
    u: NDArray[np.float64]
    consistency: NDArray[np.float64]


@dataclass(frozen=True)
class Reference:
    """A picture of the metal to register against: make it once, use it for any block of frames.

    The result for a frame does not depend on the frames around it.
    """

    template: Template
    surface: NDArray[np.complex64]
    window: NDArray[np.float32]

    @classmethod
    def made(
        cls,
        frame: NDArray[np.generic],
        mask: NDArray[np.bool_] | None = None,
        *,
        tile_px: int = 24,
        tiles: int = 60,
    ) -> Reference:
        """Prepare a reference.

        Parameters
        ----------
        frame
            Grey values, shape (h, w); the mean of some frames is better where the camera stands still enough.
        mask
            Shape (h, w), True on what is not solid metal at rest.
        tile_px
            Side of a tile, px.
        tiles
            At most so many tiles, those with the most telling texture.

        Raises
        ------
        UsageError
            The mask does not fit the frame.
        MeasurementError
            Too little is left of the frame under the mask.
        """
        from scipy.fft import rfft2

        if mask is not None and mask.shape != frame.shape:
            raise UsageError(f"the mask's shape {mask.shape} is not the frame's {frame.shape}")
        solid = None if mask is None else ~mask.astype(bool)
        picture = texture(frame)
        template = Template.cut(picture, solid, tile_px)
        if len(template.corners) < 3:
            raise MeasurementError(
                f"only {len(template.corners)} tiles of {tile_px} px are free of the mask; registration needs 3:"
                " mask less or use smaller tiles"
            )
        height, width = picture.shape
        window = np.sqrt(np.outer(np.hanning(height + 2)[1:-1], np.hanning(width + 2)[1:-1])).astype(
            np.float32
        )
        if solid is not None:
            window = window * solid
        return cls(template.strongest(tiles), np.asarray(rfft2(picture * window)), window)


def register(
    frames: NDArray[np.generic],
    reference: Reference | NDArray[np.generic],
    mask: NDArray[np.bool_] | None = None,
    *,
    expected: NDArray[np.floating] | None = None,
) -> Registration:
    """Find how far each frame's solid metal is shifted against a reference.

    Parameters
    ----------
    frames
        Grey values, shape (n, h, w).
    reference
        From `Reference.made`, or a frame (h, w) to make it from.
    mask
        Shape (h, w), True on what is not solid metal at rest; only with a frame as the reference.
    expected
        Shape (n, 2), shifts (dx, dy) px to expect, 0 if None. With a riding camera these are the travel since
        the reference; what is found beyond them is shake. Tiles that travel under the mask are then left out.

    Raises
    ------
    UsageError
        The arrays do not fit.

    Notes
    -----
    Each frame is first tried at the shift expected; where too few tiles agree there, at the peak of its
    cross-correlation with the reference. Shifts of up to a quarter of the view are found.
    """
    ready = reference if isinstance(reference, Reference) else Reference.made(reference, mask)
    if frames.ndim != 3 or frames.shape[1:] != ready.window.shape:
        raise UsageError(
            f"frames must have shape (n, {ready.window.shape[0]}, {ready.window.shape[1]}) like the reference,"
            f" got {frames.shape}"
        )
    if expected is not None and expected.shape != (len(frames), 2):
        raise UsageError(f"expected shifts must have shape ({len(frames)}, 2), got {expected.shape}")
    riding = expected is not None
    shifts = np.full((len(frames), 2), np.nan)
    u = np.full((len(frames), 2), np.nan)
    consistency = np.zeros(len(frames))
    for i, frame in enumerate(frames):
        picture = texture(frame)
        start = (0.0, 0.0) if expected is None else (float(expected[i, 0]), float(expected[i, 1]))
        shift = ready.template.find(picture, start, fixed_mask=riding)
        if not shift.found or shift.consistency < 0.5:
            again = ready.template.find(picture, _peak(ready, picture), fixed_mask=riding)
            if again.found and (not shift.found or again.followed.sum() > shift.followed.sum()):
                shift = again
        # A chance agreement of a few tiles is no registration.
        if shift.found and shift.consistency >= 0.2:
            shifts[i] = shift.dx, shift.dy
            u[i] = np.sqrt(np.diag(shift.covariance))
            consistency[i] = shift.consistency
    return Registration(shifts, u, consistency)


def _peak(ready: Reference, picture: NDArray[np.float32]) -> tuple[float, float]:
    from scipy.fft import irfft2, rfft2

    height, width = picture.shape
    cross = np.conj(ready.surface) * rfft2(picture * ready.window)
    surface = irfft2(cross, s=(height, width))
    reach_y, reach_x = math.ceil(height / 4), math.ceil(width / 4)
    surface[reach_y : height - reach_y] = -np.inf
    surface[:, reach_x : width - reach_x] = -np.inf
    y, x = divmod(int(np.argmax(surface)), width)
    return float(x - width if x > width // 2 else x), float(y - height if y > height // 2 else y)
