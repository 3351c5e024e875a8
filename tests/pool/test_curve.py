"""Closed outlines: smoothing, normals, curvature and even spacing against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from poolwatch.pool.curve import normals_curvature, resample, smooth_closed


def circle(radius: float, n: int = 240) -> tuple[np.ndarray, np.ndarray]:
    t = np.linspace(0, 2 * math.pi, n, endpoint=False)
    return radius * np.cos(t), radius * np.sin(t)


def test_smoothing_damps_a_wave_as_a_gaussian_does() -> None:
    # A Gaussian of sigma samples takes a wave of k rounds in n samples down to exp(-(2 pi k sigma/n)²/2).
    n, sigma = 240, 3.0
    place = np.arange(n)
    for rounds in (0, 3, 12):
        wave = 5 + np.cos(2 * math.pi * rounds * place / n + 0.4)
        share = math.exp(-0.5 * (2 * math.pi * rounds * sigma / n) ** 2)
        expected = 5 + share * np.cos(2 * math.pi * rounds * place / n + 0.4)
        # Weights end at three sigma, which leaves 0.3 % of them out.
        np.testing.assert_allclose(smooth_closed(wave, sigma), expected, atol=0.004)


@pytest.mark.parametrize("clockwise", [False, True])
def test_normals_of_a_circle_point_outwards_and_its_curvature_is_one_over_the_radius(clockwise: bool) -> None:
    x, y = circle(40.0)
    if clockwise:
        x, y = x[::-1].copy(), y[::-1].copy()
    sx, sy, nx, ny, curvature = normals_curvature(x, y, 2.0)
    radius = math.hypot(sx[0], sy[0])
    assert radius == pytest.approx(40.0, abs=0.1)
    np.testing.assert_allclose(nx, x / 40, atol=1e-6)
    np.testing.assert_allclose(ny, y / 40, atol=1e-6)
    np.testing.assert_allclose(curvature, 1 / 40, rtol=0.01)


def test_curvature_of_an_ellipse_at_its_ends() -> None:
    # b/a² at the ends of the short axis, a/b² at those of the long one.
    t = np.linspace(0, 2 * math.pi, 1200, endpoint=False)
    _, _, nx, ny, curvature = normals_curvature(60 * np.cos(t), 30 * np.sin(t), 2.0)
    assert curvature[0] == pytest.approx(60 / 30**2, rel=0.01)
    assert curvature[300] == pytest.approx(30 / 60**2, rel=0.01)
    assert (nx[0], ny[0]) == pytest.approx((1, 0), abs=1e-6)
    assert (nx[300], ny[300]) == pytest.approx((0, 1), abs=1e-6)


def test_resampled_vertices_are_evenly_spaced_on_the_same_outline() -> None:
    x = np.array([0.0, 10.0, 10.0, 0.0])
    y = np.array([0.0, 0.0, 5.0, 5.0])
    rx, ry = resample(x, y, 30)
    assert len(rx) == 30
    np.testing.assert_allclose(np.hypot(np.diff(rx, append=rx[0]), np.diff(ry, append=ry[0])), 1.0)
    on_edge = np.isclose(rx, 0) | np.isclose(rx, 10) | np.isclose(ry, 0) | np.isclose(ry, 5)
    assert on_edge.all()
