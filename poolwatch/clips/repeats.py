"""Frames that repeat the one before."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def repeated(frames: NDArray[Any], previous_last: NDArray[Any] | None = None) -> NDArray[np.bool_]:
    """Tell which frames are the same picture, pixel for pixel, as the frame before.

    Parameters
    ----------
    frames
        Consecutive frames, shape (n, height, width).
    previous_last
        The frame before the first, shape (height, width); None where there is none.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where the frame repeats the one before it. The first is False without `previous_last`.

    Notes
    -----
    A sparse sample is compared first; only frames that agree there are compared in full, so that distinct
    frames cost next to nothing.

    Examples
    --------
    >>> import numpy as np
    >>> repeated(np.array([[[1]], [[1]], [[2]]])).tolist()
    [False, True, False]
    """
    mask = np.zeros(len(frames), dtype=np.bool_)
    if len(frames) == 0:
        return mask
    step_y, step_x = (max(1, side // 16) for side in frames.shape[1:])
    sample = frames[:, ::step_y, ::step_x].reshape(len(frames), -1)
    same = np.flatnonzero((sample[1:] == sample[:-1]).all(axis=1)) + 1
    for place in same.tolist():
        mask[place] = np.array_equal(frames[place], frames[place - 1])
    if previous_last is not None:
        mask[0] = np.array_equal(frames[0], previous_last)
    return mask
