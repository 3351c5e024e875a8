"""What a user would write in an hour with general-purpose libraries: threshold, label, contour, locate, link.

Here to be timed beside `poolwatch measure`, not for its figures: no sub-pixel edge but `find_contours`, no sizes of
particles, no uncertainties.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np

from poolwatch.clips import open_clip


def plain_script(path: Path, frames: int) -> int:
    """Measure the first `frames` frames of a clip with scikit-image and trackpy; returns the frames measured."""
    import pandas as pd
    import trackpy
    from skimage.filters import threshold_otsu
    from skimage.measure import find_contours, label, regionprops

    trackpy.quiet()
    rows, found = [], []
    done = 0
    with open_clip(path) as reader, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # frames without a spot
        for block in reader.blocks(0, frames, size=64):
            for k, frame in enumerate(block.frames):
                level = threshold_otsu(frame)
                regions = regionprops(label(frame > level), intensity_image=frame)
                pool = max(regions, key=lambda region: region.area)
                outline = max(find_contours(frame.astype(float), level), key=len)
                extent = outline.max(axis=0) - outline.min(axis=0)
                rows.append((block.start + k, *extent, pool.area, pool.intensity_max))
                outside = frame.copy()
                top, left, bottom, right = pool.bbox
                outside[top:bottom, left:right] = np.median(frame)
                spots = trackpy.locate(outside, 7, minmass=200)
                spots["frame"] = block.start + k
                found.append(spots)
                done += 1
    spots = pd.concat(found, ignore_index=True)
    if len(spots):
        trackpy.link(spots, 25, memory=1)
    return done
