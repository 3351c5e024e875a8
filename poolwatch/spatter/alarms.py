"""False alarms of a clip, counted where there can be no particle: below the ground instead of above it.

Noise, and what lossy compression makes of it, swings both ways about the ground; particles only shine. So what would
be sighted in frames turned over about the ground tells how many sightings of the true frames are none, whatever the
noise looks like, and the level is raised until hardly any are left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .detecting import detect
from .facts import SpatterLook
from .settings import SpatterSettings

# False sightings a frame that the linking sorts out without harm.
_BEARABLE = 1.0
_STEP = 1.2
_MOST = 8.0
_FRAMES = 16


def alarm_factor(
    sample: NDArray[np.uint8] | NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]] | None,
    look: SpatterLook,
    settings: SpatterSettings,
) -> float:
    """Factor on the detection level that leaves at most one false sighting a frame.

    Parameters
    ----------
    sample, outlines
        As given to `learn`.
    look
        The look so far; its point spread does not matter.
    settings
        As given to `learn`.

    Returns
    -------
    float
        1 where the noise model holds, as it does for footage that was not compressed with loss; at most 8.
    """
    chosen = np.unique(np.linspace(0, len(sample) - 1, min(len(sample), _FRAMES)).astype(int))
    around = None if outlines is None else [np.asarray(outlines[k], dtype=np.float64) for k in chosen]
    turned = 2.0 * look.background[None] - sample[chosen].astype(np.float32)
    over = np.clip(np.rint(turned), 0, look.full_scale).astype(sample.dtype)
    factor = 1.0
    while factor < _MOST:
        raised = replace(
            look, threshold=look.threshold * np.float32(factor), detection_level=look.detection_level * factor
        )
        if len(detect(over, around, raised, settings, fitted=False)) <= _BEARABLE * len(chosen):
            break
        factor *= _STEP
    return min(factor, _MOST)
