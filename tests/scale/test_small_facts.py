"""What a user is told beside the scale: limits, notes, refusals, each against what can be worked out by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from poolwatch.model.axes import Scale
from poolwatch.scale.calibration import Plane
from poolwatch.scale.compare import compare
from poolwatch.scale.file import _check_in_view
from poolwatch.scale.motion import Motion, _with_gradient
from poolwatch.scale.target import blobs
from poolwatch.scale.travel import Travel, scale_from_travel


def test_limit_of_two_scales_with_few_degrees_of_freedom() -> None:
    # Relative uncertainties 0.3 % and 0.4 %, 4 and 6 degrees of freedom: Welch-Satterthwaite (GUM, G.4.1) gives
    # 0.005⁴/(0.003⁴/4 + 0.004⁴/6) = 9.93, cut to 9 whole ones or kept: t is 2.26 to 2.23 (tables of Student's t).
    first, second = Scale(0.02, 0.02 * 0.003), Scale(0.0201, 0.02 * 0.004)
    found = compare(first, second, dof_first=4, dof_second=6)
    assert found.u_difference == pytest.approx(0.005)
    assert 2.22 * 0.005 <= found.limit <= 2.27 * 0.005


def moving(explained: float) -> Motion:
    return Motion(-0.8, 0.0, 0.002, 0.002, True, 1, 20, 40.0, 60.0, explained, np.zeros((2, 2)), 60.0, 40.0)


@pytest.mark.parametrize(("explained", "said"), [(0.25, True), (0.45, False)])
def test_few_tiles_that_follow_are_said(explained: float, said: bool) -> None:
    made = scale_from_travel(
        moving(explained),
        Travel(1000.0, 20.0, 0.1),
        view=(120, 80),
    )
    assert made.scale.mm_per_px == pytest.approx(0.025)
    assert any("Fewer than a third" in note for note in made.notes) == said


def test_tiles_in_one_row_tell_no_gradient() -> None:
    rng = np.random.default_rng(3)
    x = np.linspace(10, 110, 12)
    for y, known in ((np.full(12, 40.0), False), (np.tile([10.0, 70.0], 6), True)):
        centres = np.column_stack([x, y])
        template = SimpleNamespace(centres=centres, centre=centres.mean(axis=0))
        # Motion grows by 0.001 px a frame for each px to the right.
        shifts = np.column_stack([0.001 * (x - 60), np.zeros(12)]) + rng.normal(0, 1e-4, (12, 2))
        shift = SimpleNamespace(followed=np.ones(12, bool), dx=0.0, dy=0.0, tile_shifts=shifts)
        _, _, gradient = _with_gradient([shift] * 4, template, np.zeros((2, 2)))
        assert np.isfinite(gradient).all() == known
        if known:
            np.testing.assert_allclose(gradient, [[0.001, 0], [0, 0]], atol=1e-5)


@pytest.mark.parametrize("side", ["none", "left", "right", "top", "bottom"])
def test_spots_at_the_border_are_left_out(side: str) -> None:
    height, width = 160, 200
    places = [(60.0, 50.0), (140.0, 50.0), (60.0, 110.0), (140.0, 110.0)]
    odd = {"left": (9, 80), "right": (width - 10, 80), "top": (100, 9), "bottom": (100, height - 10)}
    if side != "none":
        places.append(odd[side])
    y, x = np.mgrid[:height, :width]
    photo = np.full((height, width), 20.0)
    for px, py in places:
        photo += 200 / (1 + np.exp((np.hypot(x - px, y - py) - 7) * 3))
    centres, areas = blobs(photo)
    assert len(centres) == 4
    assert sorted(map(tuple, centres.round(1).tolist())) == sorted(places[:4])
    assert areas == pytest.approx([math.pi * 49] * 4, rel=0.1)


def test_a_tilted_plane_is_taken_however_its_own_axes_lie() -> None:
    tilted = np.array([[0.03, 0, 0], [0, 0.036, 0], [2e-4, 1e-3, 1]])
    for turn in range(360):
        c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        homography = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ tilted
        _check_in_view(Plane(homography, 128.0, 64.0, (60, 30, 120, 60), 0.03, 0.036), "a plane")
