"""Rendering against brute force, and published counts and formulas."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from scipy.special import erf

from poolwatch.simulate import outline, raster


def inside(x: np.ndarray, y: np.ndarray, px: np.ndarray, py: np.ndarray) -> np.ndarray:
    """Even-odd rule, vectorised over points: written apart from the code under test."""
    result = np.zeros(x.shape, dtype=bool)
    for i in range(len(px)):
        j = i - 1
        crosses = (py[i] > y) != (py[j] > y)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = (px[j] - px[i]) * (y - py[i]) / (py[j] - py[i]) + px[i]
        result ^= crosses & (x < at)
    return result


def drop(taper: float = 0.8) -> np.ndarray:
    return outline.polygon(41.3, 17.7, 45.13, 3.1, taper) + (0.37, 15.21)


@pytest.mark.slow
def test_coverage_equals_a_count_of_many_points() -> None:
    polygon = drop()
    got = raster.coverage(polygon[:, 0], polygon[:, 1], 32, 50)
    n = 16
    y, x = np.meshgrid((np.arange(32 * n) + 0.5) / n, (np.arange(50 * n) + 0.5) / n, indexing="ij")
    brute = inside(x, y, polygon[::4, 0], polygon[::4, 1]).reshape(32, n, 50, n).mean(axis=(1, 3))
    assert np.abs(got - brute).max() < 0.04  # one row of points of a cell, and every fourth vertex
    assert np.abs(got - brute).mean() < 4e-4


@pytest.mark.parametrize("taper", [0.0, 0.45, 0.95])
def test_coverage_sums_to_the_area_of_the_polygon(taper: float) -> None:
    polygon = drop(taper)
    x, y = polygon.T
    shoelace = 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    assert raster.coverage(x, y, 32, 50).sum(dtype=float) == pytest.approx(shoelace, rel=1e-6)


def test_coverage_of_a_triangle_by_hand() -> None:
    x, y = np.array([0.0, 2.0, 0.0]), np.array([0.0, 0.0, 2.0])
    np.testing.assert_allclose(raster.coverage(x, y, 3, 4)[:2, :2], [[1, 0.5], [0.5, 0]], atol=1e-12)


@pytest.mark.parametrize("radius", [1, 2, 5, 10, 20, 50])
def test_whole_pixel_discs_have_the_counts_of_the_gauss_circle_problem(radius: int) -> None:
    # Counts of lattice points with i² + j² <= r²: OEIS A000328 (from memory).
    known = {1: 5, 2: 13, 5: 81, 10: 317, 20: 1257, 50: 7845}
    t = np.arange(4000) * (2 * math.pi / 4000)
    size = 2 * radius + 5
    # Cell centres lie at half integers; the circle is a hair larger, so that points on it count.
    x = size / 2 + (radius + 1e-4) * np.cos(t) / math.cos(math.pi / 4000)
    y = size / 2 + (radius + 1e-4) * np.sin(t) / math.cos(math.pi / 4000)
    covered = raster.coverage(x, y, size, size)
    grid_y, grid_x = np.mgrid[:size, :size] + 0.5
    assert inside(grid_x, grid_y, x, y).sum() == known[radius]
    assert covered.sum(dtype=float) == pytest.approx(math.pi * radius**2, rel=4e-4)


@pytest.mark.parametrize("sigma", [0.5, 0.9, 1.6])
def test_a_straight_edge_is_the_error_function_averaged_over_a_pixel(sigma: float) -> None:
    fine = raster.fineness(sigma)
    for place in (20.0, 20.13, 20.5, 20.77):
        x = (np.array([place, 60, 60, place]) + 0.5) * fine
        y = np.array([2.0, 2, 38, 38]) * fine
        covered = raster.coverage(x, y, 40 * fine, 62 * fine)
        row = raster.to_pixels(covered, raster.kernel(sigma, fine), fine)[20, 8:34].astype(float)
        # Integral of (1 + erf(z)) / 2 over the pixel; z erf z + exp(-z²)/sqrt(pi) is the integral of erf.
        edges = (np.arange(8, 35) - 0.5 - place) / (math.sqrt(2) * sigma)
        integral = 0.5 * (edges + edges * erf(edges) + np.exp(-(edges**2)) / math.sqrt(math.pi))
        exact = np.diff(integral) * math.sqrt(2) * sigma
        # Steepest slope 1 / (sigma sqrt(2 pi)) per px: below 0.005 px of place anywhere on the edge.
        assert np.abs(row - exact).max() < 0.005 / (sigma * math.sqrt(2 * math.pi))
        # Place of the edge from the light it lets through: 0.001 px.
        assert (row - exact).sum() == pytest.approx(0, abs=1e-3)


@pytest.mark.parametrize("sigma", [0.3, 0.6, 0.9, 1.8])
def test_spread_and_average_in_one_equal_those_of_opencv(sigma: float) -> None:
    fine = raster.fineness(sigma)
    cells = np.random.default_rng(2).random((23 * fine, 41 * fine), dtype=np.float32)
    taps = raster.kernel(sigma, fine)
    spread = cv2.sepFilter2D(cells, cv2.CV_32F, taps, taps, borderType=cv2.BORDER_CONSTANT)
    want = spread.reshape(23, fine, 41, fine).mean(axis=(1, 3))
    np.testing.assert_allclose(raster.to_pixels(cells, taps, fine), want, atol=2e-6)


@pytest.mark.parametrize("sigma", [0.6, 0.9])
def test_a_sharp_tail_equals_brute_force_supersampling(sigma: float) -> None:
    polygon = drop(0.9)
    fine = raster.fineness(sigma)
    covered = raster.coverage(polygon[:, 0] * fine, polygon[:, 1] * fine, 32 * fine, 50 * fine)
    got = raster.to_pixels(covered, raster.kernel(sigma, fine), fine)
    n = 32
    y, x = np.meshgrid((np.arange(32 * n) + 0.5) / n, (np.arange(50 * n) + 0.5) / n, indexing="ij")
    u, v = x - 0.37, y - 15.21
    half = outline.half_width(u, 41.3, 17.7, 45.13, 0.9)
    brute = (half > np.abs(v - 3.1 * ((45.13 - u) / 41.3) ** 2)).astype(np.float32)
    taps = cv2.getGaussianKernel(2 * math.ceil(5 * sigma * n) + 1, sigma * n, cv2.CV_32F)
    brute = cv2.sepFilter2D(brute, cv2.CV_32F, taps, taps, borderType=cv2.BORDER_CONSTANT)
    brute = brute.reshape(32, n, 50, n).mean(axis=(1, 3))
    # The steepest slope of an edge is 1 / (sigma sqrt(2 pi)) per px: this is 0.01 px anywhere on the edge.
    assert np.abs(got - brute).max() < 0.01 / (sigma * math.sqrt(2 * math.pi))


@pytest.mark.parametrize("streak", [0.0, 0.3, 4.0, 17.5])
@pytest.mark.parametrize("radius", [0.4, 2.2, 6.0])
def test_a_streak_keeps_the_light_of_the_disc(streak: float, radius: float) -> None:
    angle = 0.6
    x1, y1 = 20.3 + streak * math.cos(angle), 20.6 + streak * math.sin(angle)
    patch = raster.disc_streak(20.3, 20.6, x1, y1, radius, 60, 60)
    assert patch.sum(dtype=float) == pytest.approx(math.pi * radius**2, rel=1e-5)
    y, x = np.mgrid[:60, :60] + 0.5
    centre = (patch * x).sum() / patch.sum(), (patch * y).sum() / patch.sum()
    # In fine cells, a quarter of a pixel each: less than 0.01 px for all that can be seen.
    assert centre == pytest.approx(((20.3 + x1) / 2, (20.6 + y1) / 2), abs=0.02 if radius > 1 else 0.13)


def test_a_streak_is_the_mean_of_discs_along_the_path() -> None:
    got = raster.disc_streak(15.2, 12.1, 27.9, 17.3, 3.3, 34, 44)
    y, x = np.meshgrid((np.arange(34 * 8) + 0.5) / 8, (np.arange(44 * 8) + 0.5) / 8, indexing="ij")
    brute = np.zeros((34, 44))
    for share in (np.arange(200) + 0.5) / 200:
        disc = (x - 15.2 - 12.7 * share) ** 2 + (y - 12.1 - 5.2 * share) ** 2 < 3.3**2
        brute += disc.reshape(34, 8, 44, 8).mean(axis=(1, 3)) / 200
    np.testing.assert_allclose(got, brute, atol=0.01)


def test_a_disc_smaller_than_the_sampling_keeps_its_light() -> None:
    patch = raster.disc_streak(5.03, 5.02, 5.03, 5.02, 0.01, 10, 10)
    assert patch.sum(dtype=float) == pytest.approx(math.pi * 1e-4, rel=1e-4)
