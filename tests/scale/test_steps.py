"""The small steps behind the scale from moving metal, each against what can be worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import fourier_shift, gaussian_filter

from poolwatch.scale.tiles import Template, _box_sum, _combine
from poolwatch.scale.vote import _peaks, _read, _wrap, vote


@pytest.mark.parametrize(
    ("x", "y"), [(7.3, 4.8), (-0.3, 0.2), (-11.6, -8.25), (19.8, -14.1)]
)  # near 0 and near the end of the view the surface wraps
def test_peaks_of_a_wrapped_surface_to_a_part_of_a_pixel(x: float, y: float) -> None:
    height, width = 30, 40
    rows, columns = np.mgrid[:height, :width].astype(float)
    dx = (columns - x + width / 2) % width - width / 2
    dy = (rows - y + height / 2) % height - height / 2
    surface = 100 - dx**2 - 2 * dy**2
    (found,) = _peaks(surface, 1)
    wrapped = (_wrap(round(x) % width, width) - round(x), _wrap(round(y) % height, height) - round(y))
    assert found == pytest.approx((x + wrapped[0], y + wrapped[1]), abs=1e-9)


def test_peaks_in_order_and_apart() -> None:
    surface = np.zeros((40, 60))
    surface[10, 12], surface[11, 15], surface[30, 50], surface[25, 20] = 9, 8, 7, 6
    # (15, 11) lies within 4 px of the highest and is no peak of its own.
    assert _peaks(surface, 3) == [(12.0, 10.0), (-10.0, -10.0), (20.0, -15.0)]
    assert _read(surface, 12.9, 10.2) == 9
    assert _read(surface, 16.6, 10.2) == 0
    assert _read(surface, 29.0, 0.0) == 0
    assert _read(surface, -9.2, -10.4) == 7


@pytest.mark.parametrize("unit", [1e-6, 1.0, 1e5])
def test_the_vote_knows_no_unit(unit: float) -> None:
    """Texture that moves by (0.75, -0.5) px a frame, whatever its contrast is counted in."""
    rng = np.random.default_rng(8)
    plate = np.fft.fft2(gaussian_filter(rng.normal(size=(96, 128)), 1.0, mode="wrap"))
    frames = np.array([np.fft.ifft2(fourier_shift(plate, (-0.5 * n, 0.75 * n))).real for n in range(16)])
    frames += 0.02 * rng.normal(size=frames.shape)
    votes = vote((unit * frames).astype(np.float32), None, 0.5)
    assert votes[0] == pytest.approx((0.75, -0.5), abs=0.06)
    # Nothing travels so far.
    assert vote((unit * frames).astype(np.float32), None, 50.0) == []


def test_what_stands_still_in_the_picture_outvotes_no_metal() -> None:
    """Dirt on the window, three times the contrast of the metal that moves behind it."""
    rng = np.random.default_rng(9)
    plate = np.fft.fft2(gaussian_filter(rng.normal(size=(96, 128)), 1.0, mode="wrap"))
    frames = np.array([np.fft.ifft2(fourier_shift(plate, (-1.0 * n, 1.5 * n))).real for n in range(16)])
    dirt = gaussian_filter(rng.normal(size=(96, 128)), 1.0)
    votes = vote((frames + 3 * dirt).astype(np.float32), None, 0.5)
    assert any(found == pytest.approx((1.5, -1.0), abs=0.06) for found in votes)


def test_slopes_are_exact_for_a_cubic() -> None:
    y, x = np.mgrid[:48, :56] / 20.0
    template = Template.cut(
        (x**3 - 2 * x * y + y**3).astype(np.float32), size=12, solid=np.ones((48, 56), dtype=bool)
    )
    inside = np.s_[2:-2, 2:-2]
    np.testing.assert_allclose(template.gx[inside], ((3 * x**2 - 2 * y) / 20)[inside], atol=2e-5)
    np.testing.assert_allclose(template.gy[inside], ((3 * y**2 - 2 * x) / 20)[inside], atol=2e-5)
    assert (template.gx[:, :2] == 0).all()
    assert (template.gy[-2:] == 0).all()


def test_tiles_on_what_is_left_out_are_no_tiles() -> None:
    rng = np.random.default_rng(2)
    solid = np.ones((60, 90), dtype=bool)
    solid[30, 40] = False
    template = Template.cut(rng.normal(size=(60, 90)).astype(np.float32), size=10, solid=solid)
    whole = Template.cut(rng.normal(size=(60, 90)).astype(np.float32), size=10, solid=None)
    gone = {tuple(c) for c in whole.corners.tolist()} - {tuple(c) for c in template.corners.tolist()}
    assert len(gone) == 1
    (top, left) = gone.pop()
    assert top <= 30 < top + 10
    assert left <= 40 < left + 10


def test_sum_over_a_box() -> None:
    values = np.arange(35).reshape(5, 7)
    integral = np.zeros((6, 8), dtype=np.int32)
    integral[1:, 1:] = values.cumsum(0).cumsum(1)
    corners = np.array([[0, 0], [1, 2], [3, 5], [-2, 4], [4, 6]])
    by_hand = [values[max(y, 0) : y + 3, max(x, 0) : x + 3].sum() for y, x in corners]
    assert _box_sum(integral, corners, 3).tolist() == by_hand


def test_weighted_mean_of_two_vectors_by_hand() -> None:
    # Weights 1/s²: (1·0 + 4·0.5)/5 = 0.4 along x, the same along y; chi-square below 1 leaves the covariance alone.
    values = np.array([[0.0, 0.0], [0.5, -0.5], [40.0, 3.0]])
    covariances = np.array([np.eye(2), 0.25 * np.eye(2), np.eye(2)])
    mean, covariance, kept = _combine(values, covariances)
    assert kept.tolist() == [True, True, False]
    assert mean == pytest.approx([0.4, -0.4])
    np.testing.assert_allclose(covariance, np.eye(2) / 5)
    # Four that scatter by more than they say: chi-square 4·(2²+0)/1 over 2·4 − 2 = 6 degrees of freedom widens.
    square = np.array([[2.0, 0.0], [-2.0, 0.0], [0.0, 2.0], [0.0, -2.0]])
    mean, covariance, kept = _combine(square, np.tile(np.eye(2), (4, 1, 1)))
    assert kept.all()
    assert mean == pytest.approx([0.0, 0.0])
    np.testing.assert_allclose(covariance, np.eye(2) / 4 * 16 / 6)
