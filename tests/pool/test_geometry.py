"""Geometry of the outline against closed forms and against scikit-image."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from skimage.draw import polygon2mask
from skimage.measure import regionprops

from poolwatch.model.axes import PoolAxes
from poolwatch.pool.geometry import SHARP, area_centroid, extents


def ellipse(a, b, angle_deg=0.0, n=400, cx=0.0, cy=0.0):
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    x, y = a * np.cos(t), b * np.sin(t)
    return cx + c * x - s * y, cy + s * x + c * y


def test_ellipse_area_and_centroid():
    # Semi-axes 60 and 30 at 30 degrees: true area 5654.87 px² (closed form).
    x, y = ellipse(60, 30, 30, 2000, 100.25, 80.5)
    area, cx, cy = area_centroid(x, y)
    assert area == pytest.approx(math.pi * 60 * 30, rel=1e-5)
    assert (cx, cy) == pytest.approx((100.25, 80.5), abs=1e-6)


def test_area_agrees_with_scikit_image():
    # scikit-image, regionprops: 5655 px² for this ellipse (general-purpose reference library).
    x, y = ellipse(60, 30, 30, 2000, 100, 100)
    mask = polygon2mask((200, 200), np.column_stack((y, x)))
    assert regionprops(mask.astype(np.uint8))[0].area == pytest.approx(area_centroid(x, y)[0], rel=2e-3)


def test_area_agrees_with_opencv():
    x, y = ellipse(40, 22, 11, 300, 60, 60)
    points = np.column_stack((x, y)).astype(np.float32)
    assert area_centroid(x, y)[0] == pytest.approx(cv2.contourArea(points), rel=1e-5)


@pytest.mark.parametrize("angle", [0, 20, 45, 90, 133, 180, 301])
def test_extents_of_a_turned_ellipse(angle):
    # Support function of an ellipse: half extent along u is sqrt(a² cos² + b² sin²).
    axes = PoolAxes(0, 0, angle)
    x, y = ellipse(60, 30, 0, 192)
    front, rear, left, right = extents(x, y, *axes.forward, *axes.left, SHARP)
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    assert front == pytest.approx(math.hypot(60 * c, 30 * s), abs=0.03)
    assert rear == pytest.approx(-math.hypot(60 * c, 30 * s), abs=0.03)
    assert left == pytest.approx(math.hypot(60 * s, 30 * c), abs=0.03)
    assert right == pytest.approx(-math.hypot(60 * s, 30 * c), abs=0.03)


def test_noisy_vertices_do_not_reach_too_far():
    # The largest of many noisy vertices is biased outward; the fitted cap is not.
    rng = np.random.default_rng(5)
    x, y = ellipse(60, 30, 0, 192)
    found = []
    for _ in range(200):
        found.append(
            extents(x + rng.normal(0, 0.1, 192), y + rng.normal(0, 0.1, 192), 1.0, 0.0, 0.0, -1.0, SHARP)[0]
        )
    assert np.mean(found) == pytest.approx(60, abs=0.03)
    naive = np.mean([(x + rng.normal(0, 0.1, 192)).max() for _ in range(200)])
    assert naive > 60.05
