"""Frames made ready for registration: fine texture of even contrast, lighting and flicker taken out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Texture between these widths carries the registration: finer is noise, coarser is lighting.
# A Gaussian of this sigma; two passes of a box of this side, about a Gaussian of sigma 6; one box.
FINE_PX = 1.0
COARSE_BOX_PX = 15
CONTRAST_BOX_PX = 31


def texture(frame: NDArray[np.generic]) -> NDArray[np.float32]:
    """Band-pass a frame and even out its contrast.

    Parameters
    ----------
    frame
        Grey values, shape (h, w), any depth.

    Returns
    -------
    Shape (h, w), about unit scatter where there is texture, less where there is little; gain, offset and slow
    lighting of the frame do not show in it.

    Notes
    -----
    A narrow blur less a wide one, over its local root-mean-square plus the frame's median of that: the bright pool
    then weighs no more than the dull metal, and empty places are not blown up to full contrast.
    """
    import cv2

    grey = frame.astype(np.float32)
    coarse = (COARSE_BOX_PX, COARSE_BOX_PX)
    band = cv2.GaussianBlur(grey, (0, 0), FINE_PX) - cv2.blur(cv2.blur(grey, coarse), coarse)
    power = cv2.blur(band * band, (CONTRAST_BOX_PX, CONTRAST_BOX_PX))
    contrast = np.sqrt(np.maximum(power, 0.0))
    typical = float(np.median(contrast))
    if typical <= 0:
        typical = float(contrast.max()) or 1.0
    return np.asarray(band / (contrast + typical), dtype=np.float32)


def textures(frames: NDArray[np.generic]) -> NDArray[np.float32]:
    """`texture` of each frame, shape (n, h, w)."""
    out = np.empty(frames.shape, dtype=np.float32)
    for i, frame in enumerate(frames):
        out[i] = texture(frame)
    return out
