"""A tilted photo set upright: a square grid of the plane comes out square, at the scale asked for."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from poolwatch.model.errors import MeasurementError
from poolwatch.scale.calibration import Lens, Plane, apply_homography
from poolwatch.scale.upright import set_upright

MM = 0.05


def tilted(degrees: float, lens: Lens | None = None) -> Plane:
    """A pinhole 1,500 px away that looks at a plane turned about the picture's vertical axis."""
    turn = math.radians(degrees)
    lean = np.array([[math.cos(turn), 0, 0], [0, 1, 0], [math.sin(turn) / 1500, 0, 1]])
    to_image = np.array([[1, 0, 300], [0, 1, 200], [0, 0, 1.0]]) @ lean @ np.diag([1 / MM, 1 / MM, 1])
    back = np.linalg.inv(to_image)
    return Plane(back / back[2, 2], 300, 200, (100, 50, 400, 300), MM, MM, lens=lens)


@pytest.mark.parametrize(
    "lens",
    [None, Lens(np.array([[900, 0, 300], [0, 900, 200], [0, 0, 1.0]]), np.array([-0.08, 0.01, 0, 0, 0]))],
)
def test_dots_stand_where_the_plane_has_them(lens) -> None:
    plane = tilted(30, lens)
    grid = np.stack(np.meshgrid(np.arange(-6, 7, 3.0), np.arange(-6, 7, 3.0)), axis=-1).reshape(-1, 2)
    view = set_upright(plane, MM, (600, 400))
    x, y = np.meshgrid(np.arange(600.0), np.arange(400.0))
    at = plane.mm(np.stack([x, y], axis=-1))
    photo = sum(np.exp(-np.sum((at - dot) ** 2, axis=-1) / (2 * (4 * MM) ** 2)) for dot in grid)
    upright = view.picture(photo[..., None].astype(np.float32))[..., 0]
    for dot in grid:
        place = apply_homography(np.linalg.inv(view.to_mm), dot[None])[0]
        column, row = np.rint(place).astype(int)
        part = upright[row - 10 : row + 11, column - 10 : column + 11]
        moments = cv2.moments(part)
        found = np.array([moments["m10"], moments["m01"]]) / moments["m00"] + (column - 10, row - 10)
        assert found == pytest.approx(place, abs=0.1)
    steps = np.diff(apply_homography(np.linalg.inv(view.to_mm), grid[:2]), axis=0)
    assert np.linalg.norm(steps) == pytest.approx(3 / MM, rel=1e-6)


def test_a_place_goes_with_it() -> None:
    plane = tilted(30)
    view = set_upright(plane, MM, (600, 400))
    assert apply_homography(view.to_mm, np.array(view.place((420.0, 90.0)))[None])[0] == pytest.approx(
        plane.mm((420.0, 90.0))
    )


def test_a_square_view_stays_as_it_is() -> None:
    view = set_upright(tilted(0), MM, (600, 400))
    assert view.size == (600, 400)
    assert view.place((17.0, 30.0)) == pytest.approx((17, 30))


def test_a_horizon_in_the_photo_is_refused() -> None:
    with pytest.raises(MeasurementError, match="tilted too much"):
        set_upright(tilted(80), MM, (6000, 400))
