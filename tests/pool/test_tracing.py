"""The contour of the bright region: followed as OpenCV follows it, on pictures drawn at random."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from poolwatch.pool.tracing import bright_mask, largest_contour

# Beside the usual ones those narrower than the filter, a word of the mask, and one pixel more or less than words.
SHAPES = [
    (1, 1),
    (1, 9),
    (9, 1),
    (2, 2),
    (3, 5),
    (9, 9),
    (23, 37),
    (16, 61),
    (17, 62),
    (18, 63),
    (40, 64),
    (64, 129),
]


def pictures(shape, seed):
    """Noise, smooth blobs with holes, lines one pixel wide, rings within rings."""
    rng = np.random.default_rng(seed)
    h, w = shape
    yy, xx = np.indices(shape)
    yield rng.integers(0, 65536, shape).astype(np.uint16)
    for blur in (1.0, 3.0):
        soft = cv2.GaussianBlur(rng.normal(size=shape), (0, 0), blur)
        yield np.uint16(np.clip(30000 + 20000 * soft / (soft.std() + 1e-12), 0, 65535))
    lines = np.zeros(shape, dtype=np.uint16)
    for _ in range(12):
        a, b = (tuple(int(v) for v in rng.integers(0, (w, h))) for _ in range(2))
        cv2.line(lines, a, b, 60000)
    yield lines
    away = np.hypot(xx - rng.uniform(0, w), yy - rng.uniform(0, h))
    yield np.uint16(30000 + 25000 * np.sign(np.sin(away * rng.uniform(0.3, 1.2))))


def outer_contours(mask):
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return [(one.reshape(-1, 2), cv2.contourArea(one)) for one in found]


@pytest.mark.parametrize("shape", SHAPES)
def test_mask_is_the_smoothed_picture_above_the_level(shape):
    # OpenCV mirrors a picture of one row or column at itself, as here.
    for picture in pictures(shape, seed=sum(shape)):
        smooth = cv2.GaussianBlur(picture, (3, 3), 0)
        for level in (-1.0, 0.0, 19999.5, 30000.0, float(np.median(smooth)), 65535.0):
            mask = bright_mask(picture, level)
            assert (mask[1 : shape[0] + 1, 1 : shape[1] + 1] == (smooth > level)).all(), level
            mask[1 : shape[0] + 1, 1 : shape[1] + 1] = 0
            assert not mask.any()


@pytest.mark.parametrize("shape", SHAPES)
def test_largest_contour_is_that_of_opencv(shape):
    """The same pixels in the same order; where several are as large, one of them."""
    for picture in (one for seed in range(6) for one in pictures(shape, seed)):
        smooth = cv2.GaussianBlur(picture, (3, 3), 0)
        for level in (9000.0, 27000.0, 45000.0):
            contour, area = largest_contour(picture, level, np.nan, np.nan)
            due = outer_contours((smooth > level).astype(np.uint8))
            most = max((size for _, size in due), default=0.0)
            assert area == most
            largest = [turned(one) for one, size in due if size == most]
            assert turned(contour) in largest or not (due or len(contour))


def turned(contour):
    """A closed contour from its first pixel, in a fixed sense."""
    places = [tuple(int(v) for v in one) for one in contour]
    return places if len(places) < 3 or places[1] <= places[-1] else [places[0], *places[:0:-1]]


def test_a_region_that_holds_the_place_goes_before_a_larger_one():
    picture = np.zeros((80, 120), dtype=np.uint16)
    picture[10:40, 10:50] = 200
    picture[10:70, 60:110] = 200
    picture[50:56, 20:26] = 200
    for (x, y), corner in (
        ((30.0, 25.0), (10, 10)),
        ((80.0, 60.0), (60, 10)),
        # Held by none; and by one too small to count.
        ((5.0, 70.0), (60, 10)),
        ((23.0, 53.0), (60, 10)),
    ):
        contour, area = largest_contour(picture, 100.0, x, y)
        assert contour.min(axis=0) == pytest.approx(corner, abs=1)
        assert area == pytest.approx(29 * 39 if corner == (10, 10) else 59 * 49, rel=0.05)
