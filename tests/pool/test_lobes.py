"""Lobes are cut off an outline, and nothing else is."""

from __future__ import annotations

import math

import numpy as np
import pytest

from poolwatch.pool.curve import resample
from poolwatch.pool.lobes import cut_lobes
from poolwatch.simulate.outline import polygon


def union(shape: np.ndarray, x: float, y: float, radius: float) -> tuple[np.ndarray, np.ndarray]:
    """Outline of a star-shaped polygon joined with a disc at (x, y), 192 even vertices with the noise of a fit."""
    angle = np.linspace(0, 2 * math.pi, 4000, endpoint=False)
    own = np.interp(
        angle,
        np.mod(np.arctan2(shape[:, 1], shape[:, 0]), 2 * math.pi),
        np.hypot(*shape.T),
        period=2 * math.pi,
    )
    if radius > 0:
        # Furthest point of the disc along each ray.
        along = x * np.cos(angle) + y * np.sin(angle)
        across = x * np.sin(angle) - y * np.cos(angle)
        inside = np.sqrt(np.maximum(radius**2 - across**2, 0))
        reach = np.where((np.abs(across) < radius) & (along > 0), along + inside, 0)
        own = np.maximum(own, reach)
    px, py = resample(own * np.cos(angle), own * np.sin(angle), 192)
    rng = np.random.default_rng(4)
    return px + rng.normal(0, 0.03, 192), py + rng.normal(0, 0.03, 192)


def area(x, y):
    return 0.5 * abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


SHAPES = {
    "egg": polygon(120, 60, 50, 0, 0.45),
    "teardrop": polygon(120, 60, 50, 0, 0.8),
    "ellipse": polygon(60, 40, 30, 0, 0.0),
}


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("place", [0.3, 1.4, 2.2, 4.0, 5.5])
@pytest.mark.parametrize("radius", [2.0, 3.5])
def test_a_particle_on_the_rim_leaves_the_outline_as_it_was(name, turned, place, radius):
    shape = SHAPES[name]
    at = shape[np.argmin(np.abs(np.mod(np.arctan2(shape[:, 1], shape[:, 0]), 2 * math.pi) - place))]
    x, y = union(shape, *at * (1 + 0.3 * radius / np.hypot(*at)), radius)
    plain = union(shape, 0, 0, 0)
    if turned:
        x, y = x[::-1].copy(), y[::-1].copy()
    assert area(x, y) - area(*plain) > 0.5 * radius**2
    assert cut_lobes(x, y, 12.0, 0.8) >= 1
    assert area(x, y) == pytest.approx(area(*plain), abs=0.35 * radius**2)
    for measured, true in ((x, plain[0]), (y, plain[1])):
        assert measured.max() == pytest.approx(true.max(), abs=0.4)
        assert measured.min() == pytest.approx(true.min(), abs=0.4)


@pytest.mark.parametrize("taper", [0.0, 0.3, 0.6, 0.8, 0.95])
def test_pointed_and_blunt_pools_stay_as_they_are(taper):
    x, y = union(polygon(110, 45, 45, 3, taper), 0, 0, 0)
    before = x.copy(), y.copy()
    assert cut_lobes(x, y, 15.0, 0.8) == 0
    assert np.array_equal(x, before[0])
    assert np.array_equal(y, before[1])


@pytest.mark.parametrize(("waves", "height"), [(6, 3.0), (12, 1.0), (20, 0.35)])
def test_waves_of_the_rim_are_no_lobes(waves, height):
    # Two spots or a crescent make hollows too, wider than a particle.
    t = np.linspace(0, 2 * math.pi, 2000, endpoint=False)
    r = 40 + height * np.cos(waves * t)
    x, y = resample(1.4 * r * np.cos(t), r * np.sin(t), 192)
    assert cut_lobes(x, y, 12.0, 0.8) == 0
