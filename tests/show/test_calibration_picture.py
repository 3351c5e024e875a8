"""The photo of a calibration with what was found drawn in."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.model.errors import UsageError
from poolwatch.show.calibration import draw_calibration, write_calibration_picture
from poolwatch.show.palette import ORANGE, POOL, bgr


def near(image, colour):
    return (np.abs(image.astype(int) - bgr(colour)) < 60).all(axis=2)


def test_marks_are_where_the_points_are():
    points = np.array([[100.0, 60.0], [200.0, 60.0], [100.0, 160.0], [200.0, 160.0]])
    photo = np.full((220, 300), 90, np.uint8)
    line = np.array([[20.0, 110.0], [280.0, 110.0]])
    picture = draw_calibration(photo, points, ("4 corners", "0.02 mm/px"), along=line)
    head = picture.shape[0] - 3 * 220
    assert picture.shape[1] == 900
    rows, columns = np.nonzero(near(picture[head:], POOL))
    found = (np.stack([columns, rows], axis=1) + 0.5) / 3 - 0.5
    distance = np.abs(found[:, None] - points[None]).max(axis=2)
    assert distance.min(axis=1).max() < 6
    # Each point has its mark, and keeps its middle free.
    assert (distance.min(axis=0) < 5).all()
    assert distance.min() > 1
    assert near(picture[head:], ORANGE)[330].sum() > 700


def test_another_ending_is_refused(tmp_path):
    with pytest.raises(UsageError, match=r"ends in \.png"):
        write_calibration_picture(tmp_path / "a.jpg", np.zeros((4, 4, 3), np.uint8))
