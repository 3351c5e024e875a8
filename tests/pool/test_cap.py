"""The reach of an outline: two half parabolas against plain least squares, and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from poolwatch.pool.cap import support


def two_halves(front, rear, half, spacing_px=1.0):
    """Half an ellipse in front, another behind: the widest place is `half` from the axis, whatever the two lengths."""
    t = np.linspace(0, 2 * np.pi, 20_000)
    x, y = np.where(np.cos(t) > 0, front, rear) * np.cos(t), half * np.sin(t)
    way = np.r_[0, np.cumsum(np.hypot(np.diff(x), np.diff(y)))]
    at = np.arange(0, way[-1] - 0.5, spacing_px) + 0.3
    return np.interp(at, way, x), np.interp(at, way, y)


@pytest.mark.parametrize(
    ("front", "rear", "half"), [(30, 100, 31), (100, 30, 31), (20, 150, 45), (15, 50, 15), (40, 80, 25), (30, 30, 31)]
)  # fmt: skip
def test_width_of_pools_whose_halves_bend_differently(front, rear, half):
    x, y = two_halves(front, rear, half)
    assert support(y, x, 1 + 0.02 * half) == pytest.approx(half, abs=0.025)
    assert support(-y, x, 1 + 0.02 * half) == pytest.approx(half, abs=0.025)
    assert support(x, y, 1 + 0.01 * (front + rear)) == pytest.approx(front, abs=0.03)
    assert support(-x, y, 1 + 0.01 * (front + rear)) == pytest.approx(rear, abs=0.03)


@pytest.mark.parametrize("noise_px", [0.05, 0.2, 0.5])
def test_noise_neither_widens_nor_narrows(noise_px):
    rng = np.random.default_rng(8)
    x, y = two_halves(30, 100, 31)
    found = [support(y + rng.normal(0, noise_px, len(y)), x, 0.8 + 3 * noise_px) for _ in range(300)]
    assert np.mean(found) == pytest.approx(31, abs=0.02 + 0.05 * noise_px)
    # Of some thirty vertices in the cap, three figures are taken.
    assert np.std(found) < 0.5 * noise_px


def test_agrees_with_plain_least_squares():
    # SciPy's bounded search over the place of the top, NumPy's least squares for the rest.
    rng = np.random.default_rng(3)
    s = np.sort(rng.uniform(-25, 25, 45))
    far = np.r_[s, 40 * np.cos(np.linspace(0.9, 2 * np.pi - 0.9, 150))]
    for _ in range(20):
        top, left, right = rng.uniform(-6, 6), rng.uniform(0.002, 0.02), rng.uniform(0.002, 0.02)
        d = s - top
        v = 50 - np.where(d < 0, left, right) * d**2 + rng.normal(0, 0.02, s.size)
        v[:1], v[-1:] = 30, 30  # The cap ends where the outline falls off, and takes these two no more.

        def left_over(at, s=s[1:-1], v=v[1:-1]):
            d = s - at
            design = np.column_stack([np.ones(d.size), -(np.minimum(d, 0) ** 2), -(np.maximum(d, 0) ** 2)])
            fit = np.linalg.lstsq(design, v, rcond=None)[0]
            return float(((design @ fit - v) ** 2).sum()), float(fit[0])

        best = minimize_scalar(lambda at: left_over(at)[0], bounds=(top - 4, top + 4), method="bounded")
        p = np.r_[v, np.full(150, 20.0)]
        # A depth of 16 px takes in all of the cap and nothing of what lies at 30 and 20.
        assert support(p, far, 16.0) == pytest.approx(left_over(best.x)[1], abs=0.01)


def test_level_and_rising_flanks():
    x = np.r_[np.linspace(-20, 20, 41), np.linspace(20, -20, 41)]
    level = np.r_[np.full(41, 7.0), np.full(41, -7.0)]
    assert support(level, x, 1.0) == pytest.approx(7.0, abs=1e-9)
    # A wedge that rises to one end reaches as far as that end.
    wedge = np.r_[np.linspace(5, 7, 41), np.linspace(-7, -5, 41)]
    assert support(wedge, x, 1.0) == pytest.approx(7.0, abs=0.25)
